package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ductledger/domain"
)

// callBackLine is the price that is taken back, not paid.
const callBackLine = "call_back"

// priceFaults finds what a price of this line cannot say. What a call-back
// takes back returns to the funds and categories that had paid.
func priceFaults(rs *domain.RuleSet) (faults []domain.Fault) {
	for i := range rs.Prices {
		p, at := &rs.Prices[i], "/prices/"+strconv.Itoa(i)
		not := func(given bool, field, detail string) {
			if given {
				faults = append(faults, domain.Fault{Pointer: at + "/" + field, Code: "not_here", Detail: detail, Fix: "leave it out"})
			}
		}
		if p.Line == callBackLine {
			not(p.FundSource != "", "fund_source", "what a call-back takes back returns to the funds that paid")
			not(p.Category != "", "category", "what a call-back takes back returns to the categories that were paid")
		} else {
			not(p.PaidRatio != nil, "paid_ratio", "only a call_back takes a share of what was paid")
			if p.FundSource != "" && !slices.Contains(rs.Funds(), p.FundSource) {
				faults = append(faults, domain.Fault{Pointer: at + "/fund_source", Code: "not_listed",
					Detail: fmt.Sprintf("%s is none of the rule set's fund_sources: %s", p.FundSource, strings.Join(rs.Funds(), ", ")), Fix: "name one of them, or add it to fund_sources"})
			}
		}
	}
	return faults
}

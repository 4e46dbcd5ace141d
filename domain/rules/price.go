package rules

import (
	"strconv"

	"ductledger/domain"
)

// callBackLine is the price that is taken back, not paid.
const callBackLine = "call_back"

// priceFaults finds what a price of this line cannot say. What a call-back
// takes back returns to the funds and categories that had paid.
func priceFaults(prices []domain.Price) (faults []domain.Fault) {
	for i := range prices {
		p, at := &prices[i], "/prices/"+strconv.Itoa(i)
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
		}
	}
	return faults
}

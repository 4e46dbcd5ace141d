package month_test

import (
	"fmt"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"
)

// What a measured job is paid: 197.3 cfm25 removed at $2.50, a tenth held back
// until an inspection has passed.
func ExamplePayOf() {
	before, after, ratio := int64(3180), int64(1207), 0.1
	set := &domain.RuleSet{
		Prices:        []domain.Price{{Line: month.LineReduction, AmountCents: 250}},
		HoldBackRatio: &ratio,
	}
	work := month.Work{Figures: month.Figures{Method: domain.FanTotal,
		Outcome: domain.Completed, PayBasis: domain.Measured, BeforeTenths: &before, AfterTenths: &after,
	}, WorkShown: true}
	pay, err := month.PayOf(set, &work)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, line := range pay.Lines {
		fmt.Printf("%s %s × %d cents = %d cents, %d held back\n", line.Line, pack.Scaled(line.QuantityTenths, 1), line.UnitCents, line.AmountCents, line.HeldBackCents)
	}
	// Output: cfm25_removed 197.3 × 250 cents = 49325 cents, 4932 held back
}

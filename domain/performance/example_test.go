package performance_test

import (
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/performance"
)

// Two homes pooled: 220 of 400 cfm25 are gone, 55 %. The mean of the two
// percentages, 43 %, is nobody's figure.
func Example() {
	northwind := domain.UUID{15: 1}
	tenths := func(t int64) *int64 { return &t }
	day := time.Date(2026, 10, 14, 12, 0, 0, 0, time.UTC)
	jobs := []performance.Job{
		{ID: domain.UUID{15: 11}, ContractorID: northwind, PayBasis: performance.Measured, Quantity: domain.TotalLeakage,
			BeforeTenths: tenths(3000), AfterTenths: tenths(1000), AcceptedAt: day},
		{ID: domain.UUID{15: 12}, ContractorID: northwind, PayBasis: performance.Measured, Quantity: domain.TotalLeakage,
			BeforeTenths: tenths(1000), AfterTenths: tenths(800), AcceptedAt: day},
		{ID: domain.UUID{15: 13}, ContractorID: northwind, PayBasis: performance.Measured, Quantity: domain.TotalLeakage,
			BeforeTenths: tenths(2000), AcceptedAt: day},
	}
	october := performance.Period{From: day.AddDate(0, 0, -13), Before: day.AddDate(0, 0, 18), Quantity: domain.TotalLeakage}

	c, err := performance.Compare(jobs, october, map[domain.UUID]string{northwind: "Northwind Sealing"})
	if err != nil {
		fmt.Println(err)
		return
	}
	one := c.Contractors[0]
	fmt.Println(one.Name, one.JobsCount, "jobs,", one.UsedCount, "used, left out:", one.LeftOut)
	fmt.Printf("removed %.1f cfm25, %.2f of what there was\n", *one.Pooled.ReductionCFM25, *one.Pooled.Ratio)
	fmt.Printf("typically %.2f (%s %.2f to %.2f)\n", *one.Typical.Ratio, one.Typical.Interval, *one.Typical.Low, *one.Typical.High)
	// Output:
	// Northwind Sealing 3 jobs, 2 used, left out: [{missing_after 1}]
	// removed 220.0 cfm25, 0.55 of what there was
	// typically 0.48 (range 0.20 to 0.67)
}

package rules_test

import (
	"fmt"

	"ductledger/domain/rules"
)

// The invented job in one body, judged by the defaults.
func Example() {
	job, err := rules.AssembleItems(nil, rules.ExampleEvaluation().Items)
	if err != nil {
		fmt.Println(err)
		return
	}
	result, verdict := rules.ComputeAndJudge(rules.DefaultSet(), job)
	fmt.Printf("%.1f → %.1f cfm25\n", *result.BeforeCFM25, *result.AfterCFM25)
	for _, f := range verdict.Findings {
		fmt.Println(f.Severity, f.Rule)
	}
	// Output:
	// 318.0 → 120.7 cfm25
	// must_fix energy_isolated
	// must_fix end_closure_clear_of_outlets
	// check crossover_collar_screws
}

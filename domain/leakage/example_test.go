package leakage_test

import (
	"fmt"

	"ductledger/domain/leakage"
)

func Example() {
	p := leakage.DefaultFanParameters()
	first, _ := leakage.Fan([]leakage.Reading{{PressurePa: 25.0, FlowCFM: 318}}, p)
	last, _ := leakage.Fan([]leakage.Reading{{PressurePa: 25.1, FlowCFM: 121}}, p)
	before := leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(first.LeakageCFM), Uncertainty: first.Uncertainty}
	after := leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(last.LeakageCFM), Uncertainty: last.Uncertainty}
	r, _ := leakage.Reduce(before, after, leakage.DefaultReductionParameters())
	fmt.Printf("%.8f cfm25 after, %.8f less, %.0f %% (%.0f to %.0f %%)\n",
		last.LeakageCFM, r.Absolute.Value, 100*r.Ratio.Value, 100*r.Ratio.Limits.Low, 100*r.Ratio.Limits.High)

	_, err := leakage.Fan([]leakage.Reading{{PressurePa: 10, FlowCFM: 100}, {PressurePa: 40, FlowCFM: 600}}, p)
	fmt.Println(err)
	// Output:
	// 120.71052607 cfm25 after, 197.28947393 less, 62 % (59 to 65 %)
	// exponent_out_of_range /readings: the exponent is 1.29248, outside 0.5 to 1: no leak behaves so, whatever the fit (check each reading and the flow range of the fan, or test again)
}

package delivery_test

import (
	"fmt"

	"ductledger/domain/delivery"
)

// The supply leak goes from 120 to 24 cfm of 1,000; the home used 12,200 kWh
// for heating in the year before.
func Example() {
	before := delivery.Ducts{
		FanFlowCFM: 1000, HeatingOutputBtuH: 60000,
		IndoorF: 70, SupplyAmbientF: 40, ReturnAmbientF: 70,
		SupplyLeakCFM: 120, SupplyAreaFt2: 200, SupplyRValue: 4,
	}
	after := before
	after.SupplyLeakCFM = 24

	b, _ := delivery.Effective(before)
	a, _ := delivery.Effective(after)
	kWh := 12200.0
	e, err := delivery.SavingFromEnergy(before, after, delivery.HeatingEnergy{KWh: &kWh}, delivery.DefaultUncertainty())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("effectiveness %.3f, then %.3f\n", b.Ratio, a.Ratio)
	fmt.Printf("saving %.0f kWh a year, range %.0f to %.0f\n", e.SavingKWh, e.SavingLowKWh, e.SavingHighKWh)
	fmt.Println(e.Statement)

	after.SupplyLeakCFM = 2400
	_, err = delivery.SavingFromEnergy(before, after, delivery.HeatingEnergy{KWh: &kWh}, delivery.DefaultUncertainty())
	fmt.Println(err)
	// Output:
	// effectiveness 0.819, then 0.908
	// saving 1200 kWh a year, range 562 to 1838
	// This is an estimate, not a promise: what this home saves also depends on the weather, on how it is lived in and on what the tests could not see.
	// out_of_range /after/supply_leak_cfm: a leak of 2400 cfm is more than the fan's flow of 1000 cfm (measure the fan's flow, or use the leakage at the pressure at which the ducts run)
}

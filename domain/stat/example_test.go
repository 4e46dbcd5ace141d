package stat_test

import (
	"fmt"

	"ductledger/domain/stat"
)

func Example() {
	reading := 120.71052607 // cfm
	text, _ := stat.RoundFloat(reading, 1)
	tenths, _ := stat.Units(reading, 1)
	t, _ := stat.StudentTQuantile(0.975, 5)
	_, err := stat.StudentTQuantile(0.975, -1)
	fmt.Println(text, tenths)
	fmt.Printf("%.4f\n", t)
	fmt.Println(err)
	// Output:
	// 120.7 1207
	// 2.5706
	// out_of_range /degrees_of_freedom: -1 is not above 0 and at most 1e+08
}

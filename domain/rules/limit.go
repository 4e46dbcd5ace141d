package rules

import "math"

const inchesPerFoot = 12.0

// slack is the rounding error allowed where a length is the difference of two
// that were typed in: 20.4 − 18.4 is not exactly 2 in binary. No tape is read
// so finely, ft or in.
const slack = 1e-9

func over(x, limit float64) bool  { return x > limit+slack }
func under(x, limit float64) bool { return x < limit-slack }

// rounded takes the rounding error off a difference before it is shown.
func rounded(x float64) float64 { return math.Round(x*1000) / 1000 }

package stat

import (
	"errors"
	"fmt"
)

// The codes of refusals that several computations share. A computation may
// add its own, such as "exponent_out_of_range".
const (
	NotFinite   = "not_finite"   // NaN or an infinity
	NotPositive = "not_positive" // zero or less where a logarithm or a quotient needs more
	Negative    = "negative"     // less than zero where zero is allowed
	TooFew      = "too_few"      // fewer values than the computation needs
	TooMany     = "too_many"     // more values than the computation takes
	NoSpread    = "no_spread"    // all values equal where a slope needs a difference
	OutOfRange  = "out_of_range" // outside a stated range
	NotComplete = "not_complete" // a value that belongs to another one is absent
	NoAnswer    = "no_answer"    // the arguments are fine one by one, the result would not be finite
)

// A Refusal is the answer to input from which no honest number follows. All
// number packages return it as their only error.
type Refusal struct {
	Code     string // short and stable, snake_case
	Argument string // where in the request of the calculation, as a JSON Pointer: "/readings/2/pressure_pa"; empty for the whole
	Detail   string // what is wrong, with the limit and its unit
	Fix      string // what to do about it; empty when the detail says it
}

func (r *Refusal) Error() string {
	s := r.Code
	if r.Argument != "" {
		s += " " + r.Argument
	}
	s += ": " + r.Detail
	if r.Fix != "" {
		s += " (" + r.Fix + ")"
	}
	return s
}

// Refuse makes a Refusal whose detail is formatted as by fmt.Sprintf.
func Refuse(code, argument, fix, detail string, args ...any) *Refusal {
	return &Refusal{Code: code, Argument: argument, Fix: fix, Detail: fmt.Sprintf(detail, args...)}
}

// Under puts prefix before the argument of a Refusal: the caller who knows
// where a group of numbers stood in the request names the whole way. It refuses
// nothing itself: other errors, and nil, pass unchanged. [calc]
func Under(prefix string, err error) error {
	var r *Refusal
	if !errors.As(err, &r) {
		return err
	}
	moved := *r
	moved.Argument = prefix + r.Argument
	return &moved
}

// IsFinite tells a number, of any unit, from NaN and the infinities, whose
// difference from themselves is NaN. Source: IEEE 754 [calc].
func IsFinite(x float64) bool { return x-x == 0 }

// Finite refuses NaN and the infinities (not_finite). unit is named in the
// detail, here and below. Source: the definition [calc].
func Finite(argument string, x float64, unit string) error {
	if !IsFinite(x) {
		return Refuse(NotFinite, argument, "send a number", "%v is not a finite number of %s", x, unit)
	}
	return nil
}

// Positive refuses what is not a finite number of unit above zero (not_positive).
// Source: the definition [calc].
func Positive(argument string, x float64, unit string) error {
	if err := Finite(argument, x, unit); err != nil {
		return err
	}
	if x <= 0 {
		return Refuse(NotPositive, argument, "", "%v %s is not more than 0 %s", x, unit, unit)
	}
	return nil
}

// NotBelowZero refuses what is not a finite number of unit, zero or more
// (negative).
// Source: the definition [calc].
func NotBelowZero(argument string, x float64, unit string) error {
	if err := Finite(argument, x, unit); err != nil {
		return err
	}
	if x < 0 {
		return Refuse(Negative, argument, "", "%v %s is less than 0 %s", x, unit, unit)
	}
	return nil
}

// Within refuses what is not a finite number of low to high, both included
// (out_of_range); all three in unit. Source: the definition [calc].
func Within(argument string, x, low, high float64, unit string) error {
	if err := Finite(argument, x, unit); err != nil {
		return err
	}
	if x < low || x > high {
		return Refuse(OutOfRange, argument, "", "%v %s is outside %v to %v %s", x, unit, low, high, unit)
	}
	return nil
}

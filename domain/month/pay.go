package month

import (
	"fmt"
	"math/big"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// Lines of payment, as a price schedule names them.
const (
	LineHome      = "home"
	LineReduction = "cfm25_removed"
	LineCrossover = "crossover_replaced"
	LineTrip      = "trip_fee"
	LineCallBack  = "call_back"
)

// States of a line of payment.
const (
	Payable  = "payable"
	Unpaid   = "unpaid"   // the program has prices, but none for this work
	Withheld = "withheld" // what the line is paid by is not known
)

// Pay is what a job is paid: the sums of its payable lines.
type Pay struct {
	PayableCents  int64
	HeldBackCents int64
	Lines         []PayLine
}

// A PayLine is one line of payment of a job.
type PayLine struct {
	Line           string
	State          string
	Category       string
	FundSource     string
	QuantityTenths int64
	UnitCents      int64
	ProductCents   int64  // quantity × unit price, before floor and cap
	LimitedBy      string // Floor, Cap or Paid, where that moved the amount
	AmountCents    int64
	HeldBackCents  int64
	WithheldBy     string // why it is withheld
}

// UnitPrice is none where there is no price.
func (l *PayLine) UnitPrice() *int64 {
	if l.Line == "" || l.State == Unpaid || l.WithheldBy == NoFund {
		return nil
	}
	return &l.UnitCents
}

// Product is none where the line is not payable.
func (l *PayLine) Product() *int64 {
	if l.State != Payable {
		return nil
	}
	return &l.ProductCents
}

// What moves an amount away from quantity × unit price.
const (
	Floor = "floor"
	Cap   = "cap"
	Paid  = "paid" // of what is taken back
)

// NoFund withholds the lines of a job of which nobody can tell the fund.
const NoFund = "no_fund_source"

// Work is what a price schedule pays for in one job.
type Work struct {
	Figures
	Sections   int64 // of the home
	Crossovers int64 // replaced
	Inspected  bool  // an inspection passed: nothing is held back
	WorkShown  bool  // a visit, a record of work and a photo
	TripShown  bool  // a visit, a coded reason and a photo
	// Pictures that rules ask for and that have not arrived, where payment waits for them.
	PicturesOwed int64
}

// PayOf gives a job's lines by the price schedule of the rule set that it was
// judged by; none where the program has no prices.
//
//	amount    = round(quantity × unit price), then at least floor, at most cap
//	held back = round(amount × hold-back ratio), nothing after a passed inspection
//
// quantity as published (cfm25 to 0.1), amounts in whole cents, each rounded
// once, half to even [cp], so that a pocket calculator agrees. A line stands
// for every price that fits the home and the job:
//
//	home                 deemed basis, work done wholly or in part      1
//	cfm25_removed        measured basis, the same    reduction, at least 0
//	crossover_replaced   any basis, the same        crossovers replaced
//	trip_fee             outcome deferred                               1
//
// Work without a fitting price is listed as unpaid, a measured job without
// both readings as withheld, with the reading that is missing; so are readings by
// two methods. Readings that
// decide nothing are paid the price's floor; without one the line is withheld.
// What was not shown is withheld too: work without a visit, a record of it and
// a photo, a trip without a visit, a coded reason and a photo. So is everything
// while payment waits for pictures that have not arrived.
//
// The job's fund chooses the prices, and pays all its lines. Where the program
// has several funds and the job names none, every line is withheld.
//
// What a call-back takes back is no line of the work: see ChargesOf. A job that
// is opened again or voided is withdrawn whole, as a correction.
//
// Refused: an amount beyond 64 bits, a ratio that is no number.
func PayOf(set *domain.RuleSet, w *Work) (pay Pay, err error) {
	if set == nil || len(set.Prices) == 0 {
		return pay, nil
	}
	fund, several := set.Fund(w.FundSource), len(set.Funds()) > 1
	held := int64(0)
	if set.HoldBackRatio != nil && !w.Inspected {
		if held, err = stat.Units(*set.HoldBackRatio, ratioPlaces); err != nil {
			return pay, err
		}
	}
	for _, name := range []string{LineHome, LineReduction, LineCrossover, LineTrip} {
		quantity, due, missing := w.quantity(name)
		if !due {
			continue
		}
		if name == LineTrip && !w.TripShown || name != LineTrip && !w.WorkShown {
			missing = NotShown
		} else if w.PicturesOwed > 0 {
			missing = PicturesOwed
		}
		if fund == "" && several {
			pay.add(PayLine{Line: name, State: Withheld, QuantityTenths: quantity, WithheldBy: NoFund})
			continue
		}
		priced := false
		for i := range set.Prices {
			p := &set.Prices[i]
			if p.Line != name || !p.Fits(w.Sections, fund) {
				continue
			}
			priced = true
			line, err := lineOf(p, quantity, missing, held)
			if err != nil {
				return pay, err
			}
			line.FundSource = fund
			pay.add(line)
		}
		if !priced {
			pay.add(PayLine{Line: name, State: Unpaid, FundSource: fund, QuantityTenths: quantity})
		}
	}
	return pay, nil
}

// Digits of a hold-back ratio, as the contract has them.
const (
	ratioPlaces = 3
	ratioUnits  = 1000
)

// shareOf is whole·part/all, rounded down.
func shareOf(whole, part, all int64) int64 {
	var v big.Int
	v.Mul(big.NewInt(whole), big.NewInt(part))
	return v.Quo(&v, big.NewInt(all)).Int64()
}

func (p *Pay) add(line PayLine) {
	p.Lines = append(p.Lines, line)
	p.PayableCents += line.AmountCents
	p.HeldBackCents += line.HeldBackCents
}

// quantity is what a line pays for, in tenths; whether the job has any of it;
// and which reading is missing.
func (w *Work) quantity(line string) (tenths int64, due bool, missing string) {
	worked := w.Outcome == domain.Completed || w.Outcome == domain.Partial
	switch line {
	case LineHome:
		return 10, worked && w.PayBasis == domain.Deemed, ""
	case LineReduction:
		due = worked && w.PayBasis == domain.Measured
		d := w.ReductionTenths()
		switch {
		case d != nil:
			return max(*d, 0), due, ""
		case w.mixed():
			return 0, due, NoReductionMethods
		case w.Undecided: // a reviewer accepted it: the price's floor, if there is one
			return 0, due, NoReductionUndecided
		case w.BeforeTenths == nil:
			return 0, due, NoReductionBefore
		}
		return 0, due, NoReductionAfter
	case LineCrossover:
		return 10 * w.Crossovers, worked && w.Crossovers > 0, ""
	case LineTrip:
		return 10, w.Outcome == domain.DeferredWork, ""
	}
	return 0, false, ""
}

func lineOf(p *domain.Price, quantity int64, missing string, held int64) (PayLine, error) {
	line := PayLine{Line: p.Line, State: Payable, Category: p.Category, QuantityTenths: quantity, UnitCents: p.AmountCents}
	if missing == NoReductionUndecided && p.FloorCents != nil {
		missing = ""
	}
	if missing != "" {
		line.State, line.WithheldBy = Withheld, missing
		return line, nil
	}
	var err error
	if line.ProductCents, err = product(quantity, p.AmountCents, 10); err != nil {
		return line, err
	}
	line.AmountCents = line.ProductCents
	if p.FloorCents != nil && line.AmountCents < *p.FloorCents {
		line.AmountCents, line.LimitedBy = *p.FloorCents, Floor
	}
	if p.CapCents != nil && line.AmountCents > *p.CapCents {
		line.AmountCents, line.LimitedBy = *p.CapCents, Cap
	}
	line.HeldBackCents, err = product(line.AmountCents, held, ratioUnits)
	return line, err
}

// product is a·b/unit, rounded half to even. a and b are not negative; the
// product may be wider than 64 bits.
func product(a, b, unit int64) (int64, error) {
	var v, rest big.Int
	v.Mul(big.NewInt(a), big.NewInt(b))
	v.QuoRem(&v, big.NewInt(unit), &rest)
	if twice := 2 * rest.Int64(); twice > unit || twice == unit && v.Bit(0) == 1 {
		v.Add(&v, big.NewInt(1))
	}
	if !v.IsInt64() {
		return 0, fmt.Errorf("%d × %d is more cents than can be counted", a, b)
	}
	return v.Int64(), nil
}

package month

import (
	"slices"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/domain/pack"
	"ductledger/domain/stat"
)

// A CallBackVersion is one version of a complaint, as the ledger has it.
type CallBackVersion struct {
	Position   int64
	RecordedAt time.Time
	CallBackID domain.UUID
	Charged    bool        // closed, at the crew's fault, and not void
	On         domain.Date // reported; its price is of the rules of that day
}

// A Charge moves what is taken back from a job: cents more, or less again when
// a complaint turns out to be another's fault or is voided.
type Charge struct {
	Position   int64
	RecordedAt time.Time
	CallBackID domain.UUID
	Cents      int64
}

// ChargesOf are what the versions of a job's complaints, oldest first, take
// back from what it is paid. A complaint that is closed at the crew's fault
// takes, for each line call_back of the price schedule in force on the day on
// which it was reported,
//
//	amount + round(ratio × paid)    then at least floor, at most cap
//
// paid is what the job's payable lines come to, held-back share included;
// rounded once, half to even. What all of them take together is limited to
// what was paid where it is taken (see PayAt). in gives the rule set of a day.
//
// Who is charged, and for what, is this program's own decision [cp].
func ChargesOf(versions []CallBackVersion, in func(domain.Date) *domain.RuleSet, w *Work) (charges []Charge, err error) {
	stands := map[domain.UUID]int64{}
	for i := range versions {
		v := &versions[i]
		takes := int64(0)
		if v.Charged {
			if takes, err = takenBy(in(v.On), w); err != nil {
				return nil, err
			}
		}
		if moved := takes - stands[v.CallBackID]; moved != 0 {
			charges = append(charges, Charge{v.Position, v.RecordedAt, v.CallBackID, moved})
			stands[v.CallBackID] = takes
		}
	}
	return charges, nil
}

// takenBy is what one complaint takes, at most what the job is paid.
func takenBy(set *domain.RuleSet, w *Work) (cents int64, err error) {
	if set == nil {
		return 0, nil
	}
	for i := range set.Prices {
		p := &set.Prices[i]
		if p.Line != LineCallBack || !p.Fits(w.Sections, "") {
			continue
		}
		takes := p.AmountCents
		if p.PaidRatio != nil {
			ratio, err := stat.Units(*p.PaidRatio, ratioPlaces)
			if err != nil {
				return 0, err
			}
			share, err := product(w.Pay.PayableCents, ratio, ratioUnits)
			if err != nil {
				return 0, err
			}
			takes += share // each is less than 2^53
		}
		if p.FloorCents != nil {
			takes = max(takes, *p.FloorCents)
		}
		if p.CapCents != nil {
			takes = min(takes, *p.CapCents)
		}
		cents = min(cents+takes, w.Pay.PayableCents)
	}
	return cents, nil
}

// Taken is what has been taken back at a position, before the limit.
func Taken(charges []Charge, position int64) (cents int64) {
	for i := range charges {
		if charges[i].Position <= position {
			cents += charges[i].Cents
		}
	}
	return cents
}

// Less is the pay with so many cents taken back: never more than was paid, and
// from the lines in their order, so from the work itself first. For each line
// that something is taken from there is a negative one, of its fund source and
// category: less one at what is taken from it. With it goes the same share of
// what is held back.
func (p Pay) Less(cents int64) Pay {
	if cents = min(cents, p.PayableCents); cents <= 0 {
		return p
	}
	out := Pay{PayableCents: p.PayableCents, HeldBackCents: p.HeldBackCents, Lines: slices.Clone(p.Lines)}
	for i := range p.Lines {
		line := &p.Lines[i]
		takes := min(line.AmountCents, cents)
		if line.State != Payable || takes <= 0 {
			continue
		}
		cents -= takes
		held := line.HeldBackCents
		if takes < line.AmountCents {
			held = shareOf(held, takes, line.AmountCents)
		}
		out.add(PayLine{Line: LineCallBack, State: Payable, Category: line.Category, FundSource: line.FundSource,
			QuantityTenths: -10, UnitCents: takes, ProductCents: -takes, AmountCents: -takes, HeldBackCents: -held})
	}
	return out
}

// A TakenLine is a line of call_backs.csv.
type TakenLine struct {
	ID         string
	Month      domain.Month // of the job's first acceptance
	JobID      domain.UUID
	CallBackID domain.UUID
	FundSource string
	Category   string
	Cents      int64 // below zero when taken, above when given back
	At         time.Time
}

// TakenLines calls use with the lines that a complaint made in this package
// for a job of an earlier month that stood; those of the month's own jobs are
// among their payments.
func (h *History) TakenLines(r *Range, use func(*TakenLine) error) error {
	if h.Month >= r.Month {
		return nil
	}
	for i := range h.Acceptances {
		a := &h.Acceptances[i]
		for _, c := range a.Charges {
			if !h.counts(a) || !r.holds(h.Month, c.Position) || !a.standsAt(c.Position) || a.Position == c.Position {
				continue
			}
			var moved Costs
			before, now := a.PayAt(c.Position-1), a.PayAt(c.Position)
			moved.add(&a.Figures, &now, 1)
			moved.add(&a.Figures, &before, -1)
			for n, heading := range moved.headings() {
				if moved.cents[heading] == 0 {
					continue
				}
				err := use(&TakenLine{ID: takenLetter + strconv.FormatInt(c.Position, 10) + "." + h.JobID.String() + "." + strconv.Itoa(n+1), Month: h.Month, JobID: h.JobID,
					CallBackID: c.CallBackID, FundSource: heading.fund, Category: heading.category, Cents: moved.cents[heading], At: c.RecordedAt})
				if err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func CallBacks() pack.TableOf[TakenLine] {
	type R = TakenLine
	return pack.Define(pack.Table{
		Name: CallBacksTable, Title: "Lines taken back from jobs of earlier months",
		Description: "One row for each fund source and category from which a call-back that was closed at the crew's fault took back what a job of an earlier month had been paid; above zero where that was undone. Each stands in one package only, and moves payable_cents in corrections.csv. Lines of this month's jobs stand in payments.csv.",
		PrimaryKey:  []string{"line_id"},
	},
		field("line_id", pack.ID, "", takenLetter+"4711."+exampleID+".1", "L, the ledger position of the call-back, the job's id and a number",
			text(func(l *R) string { return l.ID })),
		field("job_id", pack.ID, "", jobLetter+exampleID, "The job, in the package of original_month",
			text(func(l *R) string { return JobRef(l.JobID) }), required),
		field("original_month", pack.Month, "", "2026-09", "Month in which the job counts",
			text(func(l *R) string { return string(l.Month) }), required),
		field("call_back_id", pack.ID, "", callBackLetter+exampleID, "The call-back: B and its id",
			text(func(l *R) string { return ref(callBackLetter, l.CallBackID) }), required),
		field("line", pack.Code, "", LineCallBack, "What the line is for",
			text(func(*R) string { return LineCallBack }), required, oneOf("payment_line")),
		field("fund_source", pack.Text, "", "state_fund", "The fund that had paid",
			text(func(l *R) string { return l.FundSource })),
		field("category", pack.Code, "", "labor", "Heading under which the funder counts it",
			text(func(l *R) string { return l.Category }), oneOf("payment_category")),
		field("amount_cents", pack.Integer, cents, "-12331", "What the line comes to: below zero when it is taken back",
			integer(func(l *R) int64 { return l.Cents }), required),
		field("recorded_at", pack.DateTime, "", "2026-10-20T16:00:00.000000Z", "When it was recorded, in UTC",
			moment(func(l *R) time.Time { return l.At }), required),
	)
}

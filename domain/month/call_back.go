package month

import (
	"cmp"
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

// A Taking is what is taken back from a job.
type Taking struct {
	Cents        int64 // within floor and cap of the price
	ProductCents int64 // what the price alone comes to
}

func (t Taking) plus(o Taking) Taking {
	return Taking{t.Cents + o.Cents, t.ProductCents + o.ProductCents}
}

func (t Taking) minus(o Taking) Taking {
	return Taking{t.Cents - o.Cents, t.ProductCents - o.ProductCents}
}

// limit is what moved the amount away from what the price alone comes to, where
// paid is what the job was paid.
func (t Taking) limit(paid int64) string {
	switch {
	case t.Cents > paid:
		return Paid
	case t.Cents < t.ProductCents:
		return Cap
	case t.Cents > t.ProductCents:
		return Floor
	}
	return ""
}

// A Charge moves what is taken back from a job: more, or less again when a
// complaint turns out to be another's fault or is voided.
type Charge struct {
	Position   int64
	RecordedAt time.Time
	CallBackID domain.UUID
	Taking
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
	stands := map[domain.UUID]Taking{}
	for i := range versions {
		v := &versions[i]
		takes := Taking{}
		if v.Charged {
			if takes, err = takenBy(in(v.On), w); err != nil {
				return nil, err
			}
		}
		if moved := takes.minus(stands[v.CallBackID]); moved != (Taking{}) {
			charges = append(charges, Charge{v.Position, v.RecordedAt, v.CallBackID, moved})
			stands[v.CallBackID] = takes
		}
	}
	return charges, nil
}

// takenBy is what one complaint takes.
func takenBy(set *domain.RuleSet, w *Work) (t Taking, err error) {
	if set == nil {
		return t, nil
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
				return t, err
			}
			share, err := product(w.Pay.PayableCents, ratio, ratioUnits)
			if err != nil {
				return t, err
			}
			takes += share // each is less than 2^53
		}
		within := takes
		if p.FloorCents != nil {
			within = max(within, *p.FloorCents)
		}
		if p.CapCents != nil {
			within = min(within, *p.CapCents)
		}
		t = t.plus(Taking{within, takes})
	}
	return t, nil
}

// Taken is what has been taken back at a position, before it is held against what
// was paid.
func Taken(charges []Charge, position int64) (t Taking) {
	for i := range charges {
		if charges[i].Position <= position {
			t = t.plus(charges[i].Taking)
		}
	}
	return t
}

// Less is the pay with so much taken back: never more than was paid, and from the
// lines in their order, so from the work itself first. For each line that
// something is taken from there is a negative one, of its fund source and
// category. Their products add up to what the prices alone come to, so that each
// line shows both amounts where floor, cap or what was paid moved it; its unit
// price is its product, its quantity less one. With it goes the same share of
// what is held back.
func (p Pay) Less(t Taking) Pay {
	cents, price, limit := min(t.Cents, p.PayableCents), t.ProductCents, t.limit(p.PayableCents)
	if cents <= 0 {
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
		unit := min(takes, price)
		if cents == 0 { // the last of them
			unit = price
		}
		price -= unit
		back := PayLine{Line: LineCallBack, State: Payable, Category: line.Category, FundSource: line.FundSource,
			QuantityTenths: -10, UnitCents: unit, ProductCents: -unit, AmountCents: -takes, HeldBackCents: -held}
		if unit != takes {
			back.LimitedBy = limit
		}
		out.add(back)
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
	// Below zero when taken, above when given back.
	Taking
	LimitedBy string
	At        time.Time
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
				was, wasLimited := before.takenOf(heading)
				is, isLimited := now.takenOf(heading)
				line := &TakenLine{ID: takenLetter + strconv.FormatInt(c.Position, 10) + "." + h.JobID.String() + "." + strconv.Itoa(n+1), Month: h.Month, JobID: h.JobID,
					CallBackID: c.CallBackID, FundSource: heading.fund, Category: heading.category, Taking: is.minus(was), At: c.RecordedAt}
				if line.Cents != line.ProductCents {
					line.LimitedBy = cmp.Or(isLimited, wasLimited)
				}
				if err := use(line); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// takenOf are the lines of a heading that take back, and what limited them.
func (p *Pay) takenOf(of heading) (t Taking, limitedBy string) {
	for i := range p.Lines {
		if l := &p.Lines[i]; l.Line == LineCallBack && l.FundSource == of.fund && l.Category == of.category {
			t, limitedBy = t.plus(Taking{l.AmountCents, l.ProductCents}), cmp.Or(l.LimitedBy, limitedBy)
		}
	}
	return t, limitedBy
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
		field("product_cents", pack.Integer, cents, "-12331", "What the price alone comes to, before floor, cap and what was paid",
			integer(func(l *R) int64 { return l.ProductCents }), required),
		field("limited_by", pack.Code, "", Paid, "What moved the amount away from product_cents",
			text(func(l *R) string { return l.LimitedBy }), oneOf("limited_by")),
		field("amount_cents", pack.Integer, cents, "-12331", "What the line comes to: below zero when it is taken back",
			integer(func(l *R) int64 { return l.Cents }), required),
		field("recorded_at", pack.DateTime, "", "2026-10-20T16:00:00.000000Z", "When it was recorded, in UTC",
			moment(func(l *R) time.Time { return l.At }), required),
	)
}

package month

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	"ductledger/storage"
)

// Options are the choices of one build.
type Options struct {
	Key     ed25519.PrivateKey // nil: the package is not signed
	BuildID string             // of the program that builds
	Program domain.UUID        // whose packages are built; zero: everybody's
	// Report is told at the beginning of each stage, and now and then, how many
	// rows of it are done and how many there are; 0: not known. nil: nobody asks.
	Report func(stage string, done, total int64)
	// Summary writes the workbook that a person opens first; nil leaves it out.
	Summary func(io.Writer, *pack.Workbook) error
}

// reportRows is how many rows pass between two reports.
const reportRows = 1000

// buildStatementTime is how long a statement may run that reads a whole month.
// Nobody waits for the answer with a connection of his own.
const buildStatementTime = "SET LOCAL statement_timeout = '30min'"

// reader reads what one package is of, from one snapshot.
type reader struct {
	t    *storage.Tx
	plan *Plan
	args storage.Args
	late []domain.UUID

	sets    map[domain.UUID]*domain.RuleSet
	dated   []*domain.RuleSet // those that are not void
	inForce *domain.RuleSet   // on the month's last day
	energy  month.EnergyMethods
	floored bool // the program has, or had, a floor for counts
}

// writer writes it.
type writer struct {
	reader
	pack *pack.Writer

	report func(stage string, done, total int64)
	stage  string
	done   int64

	previous   month.Sums // what stood at the previous position
	cumulative month.Sums // what stands
	movement   month.Movement
	spending   month.Spending
	periods    month.Periods
	hides      month.Suppression
	firms      map[domain.UUID]*firm
	excluded   map[string]int64
}

// Write writes the package that was planned, in one snapshot. Rows go
// from the database into the file one by one, so memory does not grow with
// the month. It gives what stands at the end, by measure.
func Write(ctx context.Context, db *storage.DB, program domain.UUID, plan *Plan, out io.Writer, o Options) (written pack.Written, sums month.Sums, err error) {
	err = db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		w := &writer{reader: reader{t: t, plan: plan}, report: o.Report, firms: map[domain.UUID]*firm{}, excluded: map[string]int64{}}
		if w.report == nil {
			w.report = func(string, int64, int64) {}
		}
		if err := w.begin(out, o); err != nil {
			return err
		}
		for _, step := range []func() error{w.history, w.suppression, w.jobs, w.measurements, w.pictures, w.contractors, w.payments, w.costs, w.corrections, w.callBacks, w.reconciliation, w.months, w.codes, w.ledger} {
			if err := step(); err != nil {
				return err
			}
		}
		sums = w.cumulative
		if err := w.pack.Workbook(month.SummaryName, month.Summary(w.costRows(), slices.Sorted(maps.Keys(w.excluded)), w.energy), o.Summary); err != nil {
			return err
		}
		written, err = w.pack.Close()
		return err
	})
	return written, sums, err
}

func (w *writer) begin(out io.Writer, o Options) (err error) {
	w.t.Queue(buildStatementTime)
	if err := w.open(); err != nil {
		return err
	}
	w.pack, err = pack.NewWriter(out, w.plan.head(o.BuildID), month.Tables(), pack.WriterOptions{Key: o.Key, Notes: month.NotesOf(w.energy), Sheets: month.SummarySheets(),
		First: month.Overview(w.plan.Program.Name, strings.ReplaceAll(w.plan.Fund, "_", " "), w.plan.Month, w.energy)})
	return err
}

// open finds what all queries of the month need: prices, and where it began.
func (r *reader) open() error {
	p := r.plan
	first, err := time.ParseInLocation("2006-01", string(p.Month), p.Zone)
	if err != nil {
		return err
	}
	r.args = storage.Args{"program_id": r.t.Program, "position": p.Position, "previous": p.Previous, "begin": int64(0), "month": string(p.Month),
		"from": first.Add(-marginBefore), "as_of": p.AsOf, "late": []domain.UUID{}, "digests": false, "fund": p.Fund, "first_fund": cmp.Or(p.Funds.First, month.WithoutFund)}
	var rows []monthRuleSetRow
	storage.All(r.t, &rows, monthRuleSetsSQL, r.args)
	if err := r.t.Flush(); err != nil {
		return err
	}
	r.sets = make(map[domain.UUID]*domain.RuleSet, len(rows))
	crossovers, holds, callBacks := false, false, false
	for _, row := range rows {
		record, err := domain.Decode(domain.RuleSetKind, []byte(row.Body))
		if err != nil {
			return fmt.Errorf("rule set %s: %w", domain.UUID(row.RecordID), err)
		}
		set := record.(*domain.RuleSet)
		r.sets[row.RecordID] = set
		if !row.Void {
			r.dated = append(r.dated, set)
		}
		callBacks = callBacks || slices.ContainsFunc(set.Prices, func(p domain.Price) bool { return p.Line == month.LineCallBack })
		crossovers = crossovers || len(set.Prices) > 0
		holds = holds || set.HoldBackRatio != nil && *set.HoldBackRatio > 0
	}
	r.args["crossovers"], r.args["holds"], r.args["call_backs"] = crossovers, holds, callBacks
	lastDay := domain.DateOf(first.AddDate(0, 1, -1), p.Zone)
	r.inForce = r.ruleSetOn(lastDay)
	r.energy = month.EnergyMethodsOf(r.dated, lastDay)
	r.floored = slices.ContainsFunc(r.dated, func(set *domain.RuleSet) bool { return set.SuppressBelowCount != nil && set.FromOn <= lastDay })
	// Events of own jobs may lie before the package before was cut, never
	// before the month began.
	before, _, err := neighbors(p.Month)
	if err == nil {
		r.args["begin"], err = lastOfMonth(r.t, before, p.Zone, p.Position)
	}
	return err
}

// fund is that of a frozen result; of one from before there were funds, the first.
func (r *reader) fund(frozen *string) string {
	switch {
	case frozen == nil:
		return r.plan.Funds.First
	case *frozen == month.WithoutFund:
		return ""
	}
	return *frozen
}

// ruleSetOn is the rule set in force on a day.
func (r *reader) ruleSetOn(day domain.Date) (set *domain.RuleSet) {
	for _, other := range r.dated {
		if other.RatherInForce(set, day) {
			set = other
		}
	}
	return set
}

// marginBefore keeps a zone without midnight on the first from cutting a row
// off; the month itself is compared too.
const marginBefore = 24 * time.Hour

// head is what the package says of itself. The sender is named as far as a
// line of it can hold.
func (p *Plan) head(build string) pack.Head {
	const longest = 160 // bytes
	name := p.Program.Name
	if len(name) > longest {
		name = strings.TrimSpace(strings.ToValidUTF8(name[:longest], ""))
	}
	h := pack.Head{
		Program: strings.ReplaceAll(p.Program.Code, "_", "-"), Organization: name, Contact: "the office of " + name,
		Month: string(p.Month), Fund: p.Fund, TimeZone: p.Program.TimeZone, Zone: p.Zone, Revision: p.Revision, Demo: p.Program.Demo, Unfinished: !p.Finished,
		AsOf: p.AsOf, Position: p.Position, LedgerHead: p.Link.String(), PreviousPosition: p.Previous,
		SchemaVersion: month.SchemaVersion, BuildID: build,
	}
	if p.Before != nil {
		h.PreviousSHA256 = p.Before.SHA256
	}
	if p.Last != nil {
		h.SupersedesSHA256 = p.Last.SHA256
	}
	return h
}

type countRow struct{ Count int64 }

// count runs a query that gives one number.
func count(t *storage.Tx, sql string, args storage.Args) (int64, error) {
	var row *countRow
	storage.One(t, &row, sql, args)
	if err := t.Flush(); err != nil {
		return 0, err
	}
	return row.Count, nil
}

// begins says which stage begins.
func (w *writer) begins(stage string) {
	w.stage, w.done = stage, 0
	w.report(stage, 0, 0)
}

// passed counts a row of the stage.
func (w *writer) passed() {
	if w.done++; w.done%reportRows == 0 {
		w.report(w.stage, w.done, 0)
	}
}

type monthRuleSetRow struct {
	RecordID [16]byte
	Body     string
	Void     bool
}

// Rule sets with their prices; of two that begin on one day the first by id is
// in force.
const monthRuleSetsSQL = `
SELECT e.record_id, e.body, e.voided_at IS NOT NULL AS void FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'rule_set' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
ORDER BY e.record_id`

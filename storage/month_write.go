package storage

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/bag"
	"ductledger/domain/month"

	"github.com/jackc/pgx/v5"
)

// MonthOptions are the choices of one build.
type MonthOptions struct {
	Key     ed25519.PrivateKey          // nil: the package is not signed
	BuildID string                      // of the program that builds
	Report  func(table string, n int64) // told before each table; nil: nobody asks
	// Summary writes the workbook that a person opens first; nil leaves it out.
	Summary func(io.Writer, *bag.Book) error
}

// monthWriter writes one package from one snapshot.
type monthWriter struct {
	t      *tx
	plan   *MonthPlan
	args   named
	bag    *bag.Writer
	report func(string, int64)

	sets       map[domain.UUID]*domain.RuleSet
	previous   month.Sums // what stood at the previous position
	cumulative month.Sums // what stands
	movement   month.Movement
	spending   month.Spending
	dated      []*domain.RuleSet // those that are not void
	inForce    *domain.RuleSet   // on the month's last day
	late       []domain.UUID
	hides      month.Suppression
	floored    bool // the programme has, or had, a floor for counts
	firms      map[domain.UUID]*firm
	excluded   map[string]int64
}

// WriteMonth writes the package that was planned, in one snapshot. Rows go
// from the database into the file one by one, so memory does not grow with
// the month. It gives what stands at the end, by measure.
func (db *DB) WriteMonth(ctx context.Context, program domain.UUID, plan *MonthPlan, out io.Writer, o MonthOptions) (written bag.Written, sums month.Sums, err error) {
	err = db.in(ctx, program, survey, func(t *tx) error {
		w := &monthWriter{t: t, plan: plan, report: o.Report, firms: map[domain.UUID]*firm{}, excluded: map[string]int64{}}
		if w.report == nil {
			w.report = func(string, int64) {}
		}
		if err := w.begin(out, o); err != nil {
			return err
		}
		for _, step := range []func() error{w.history, w.suppression, w.jobs, w.measurements, w.contractors, w.payments, w.costs, w.corrections, w.callBacks, w.reconciliation, w.codes, w.ledger} {
			if err := step(); err != nil {
				return err
			}
		}
		sums = w.cumulative
		if err := w.bag.Book(month.SummaryName, month.Summary(w.spending.Rows(), slices.Sorted(maps.Keys(w.excluded))), o.Summary); err != nil {
			return err
		}
		written, err = w.bag.Close()
		return err
	})
	return written, sums, err
}

func (w *monthWriter) begin(out io.Writer, o MonthOptions) (err error) {
	p := w.plan
	first, err := time.ParseInLocation("2006-01", string(p.Month), p.Zone)
	if err != nil {
		return err
	}
	w.args = named{"program_id": w.t.program, "position": p.Position, "previous": p.Previous, "begin": int64(0), "month": string(p.Month),
		"from": first.Add(-marginBefore), "as_of": p.AsOf, "late": []domain.UUID{}}
	if w.bag, err = bag.NewWriter(out, p.head(o.BuildID), month.Tables(), bag.WriterOptions{Key: o.Key, Notes: month.Notes, Pages: month.SummaryPages()}); err != nil {
		return err
	}
	// Index look-ups row by row: compiling these statements costs more than it
	// saves (10,000 jobs took half as long again).
	w.t.queue("SET LOCAL jit = off")
	var rows []monthRuleSetRow
	all(w.t, &rows, monthRuleSetsSQL, w.args.pgx())
	if err := w.t.flush(); err != nil {
		return err
	}
	w.sets = make(map[domain.UUID]*domain.RuleSet, len(rows))
	crossovers, holds, callBacks := false, false, false
	for _, row := range rows {
		record, err := domain.Decode(domain.RuleSetKind, []byte(row.Body))
		if err != nil {
			return fmt.Errorf("rule set %s: %w", domain.UUID(row.RecordID), err)
		}
		set := record.(*domain.RuleSet)
		w.sets[row.RecordID] = set
		if !row.Void {
			w.dated = append(w.dated, set)
		}
		callBacks = callBacks || slices.ContainsFunc(set.Prices, func(p domain.Price) bool { return p.Line == month.LineCallBack })
		crossovers = crossovers || len(set.Prices) > 0
		holds = holds || set.HoldBackRatio != nil && *set.HoldBackRatio > 0
	}
	w.args["crossovers"], w.args["holds"], w.args["call_backs"] = crossovers, holds, callBacks
	lastDay := domain.DateOf(first.AddDate(0, 1, -1), p.Zone)
	w.inForce = w.ruleSetOn(lastDay)
	w.floored = slices.ContainsFunc(w.dated, func(set *domain.RuleSet) bool { return set.SuppressBelowCount != nil && set.FromOn <= lastDay })
	// Events of own jobs may lie before the package before was cut, never
	// before the month began.
	before, _, err := neighbours(p.Month)
	if err == nil {
		w.args["begin"], err = w.t.lastOfMonth(before, p.Zone, p.Position)
	}
	return err
}

// ruleSetOn is the rule set in force on a day.
func (w *monthWriter) ruleSetOn(day domain.Date) (set *domain.RuleSet) {
	for _, other := range w.dated {
		if ratherInForce(other, set, day) {
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
func (p *MonthPlan) head(build string) bag.Head {
	const longest = 160 // bytes
	name := p.Program.Name
	if len(name) > longest {
		name = strings.TrimSpace(strings.ToValidUTF8(name[:longest], ""))
	}
	h := bag.Head{
		Program: strings.ReplaceAll(p.Program.Code, "_", "-"), Organization: name, Contact: "the office of " + name,
		Month: string(p.Month), TimeZone: p.Program.TimeZone, Revision: p.Revision, Demo: p.Program.Demo, Unfinished: !p.Finished,
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

// each runs a query and calls use with one row after the other.
func each[T any](t *tx, sql string, args pgx.NamedArgs, use func(*T) error) error {
	if err := t.flush(); err != nil {
		return err
	}
	rows, err := t.conn.Query(t.ctx, sql, args)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		row, err := pgx.RowToStructByName[T](rows)
		if err != nil {
			return err
		}
		if err := use(&row); err != nil {
			return err
		}
	}
	return rows.Err()
}

// count runs a query that gives one number.
func (t *tx) count(sql string, args pgx.NamedArgs) (int64, error) {
	var rows []countRow
	all(t, &rows, sql, args)
	if err := t.flush(); err != nil {
		return 0, err
	}
	return rows[0].Count, nil
}

// table begins the next table.
func (w *monthWriter) table(name string, rows int64) (*bag.Sheet, error) {
	w.report(name, rows)
	return w.bag.Table(name, rows)
}

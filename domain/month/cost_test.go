package month

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/pack"
)

// costsIn writes rows as costs.csv and reads them with another program's parser.
func costsIn(t *testing.T, s *Spending, ceiling *int64) (lines []string) {
	t.Helper()
	var file bytes.Buffer
	w, err := pack.NewWriter(&file, pack.Head{Program: "P", Organization: "O", Contact: "C", Month: "2026-10", TimeZone: "UTC", Revision: 1, AsOf: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC),
		LedgerHead: strings.Repeat("0", 64), SchemaVersion: SchemaVersion, BuildID: "test"}, []pack.Table{CostsBy().Table, pack.ReconciliationTable()}, pack.WriterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	table, costs := CostsBy(), s.Rows(ceiling)
	rows, err := w.Table(CostsTable)
	if err != nil {
		t.Fatal(err)
	}
	for i := range costs {
		if err := table.Row(rows, &costs[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := rows.Close(); err != nil {
		t.Fatal(err)
	}
	if rows, err = w.Table(ReconciliationTable); err != nil || rows.Close() != nil {
		t.Fatal(err)
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		t.Fatal(err)
	}
	in, err := z.Open("P_2026-10_r1/data/costs.csv")
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(in)
	if err != nil {
		t.Fatal(err)
	}
	records, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range records[1:] {
		lines = append(lines, strings.Join(r, " "))
	}
	return lines
}

// Three homes and a trip, by hand [calc]: north pays 600.00 + 200.00 labor and
// 75.00 for the trip, south 100.03 for materials in one of the homes. The
// average of a fund is over the homes in which it pays (10 CFR 440.18 limits
// the money of one fund per home [pub]).
func TestCostsByHand(t *testing.T) {
	var s Spending
	job := func(outcome domain.Outcome, lines ...PayLine) {
		w := &Work{Figures: Figures{Outcome: outcome}}
		for _, line := range lines {
			line.State = Payable
			w.Pay.add(line)
		}
		s.TakeNew(w)
		s.Cumulative.add(&w.Figures, &w.Pay, 1)
	}
	job(domain.Completed, PayLine{AmountCents: 60000, FundSource: "north", Category: "labor"}, PayLine{AmountCents: 10003, FundSource: "south", Category: "materials"})
	job(domain.Partial, PayLine{AmountCents: 20000, FundSource: "north", Category: "labor"}, PayLine{AmountCents: 0, FundSource: "south", Category: "materials"})
	job(domain.Completed) // without a price
	job(domain.DeferredWork, PayLine{AmountCents: 7500, FundSource: "north"})
	s.Cumulative.add(&Figures{Outcome: domain.Completed}, &Pay{Lines: []PayLine{{State: Payable, AmountCents: 2500, FundSource: "north", Category: "labor"}}}, 1) // a month before
	ceiling := int64(43750)
	want := []string{
		"all all   3 97503 32501 false 4 100003 25001 false 43750",
		"category.no-category category   3 7500 2500  4 7500 1875  ",
		"category.labor category  labor 3 80000 26667  4 82500 20625  ",
		"category.materials category  materials 3 10003 3334  4 10003 2501  ", // 3334.33, 2500.75
		"fund.north fund_source north  2 87500 43750 false 3 90000 30000 false 43750",
		"fund.south fund_source south  1 10003 10003 false 1 10003 10003 false 43750",
		"both.north.no-category fund_and_category north  2 7500 3750  3 7500 2500  ",
		"both.north.labor fund_and_category north labor 2 80000 40000  3 82500 27500  ",
		"both.south.materials fund_and_category south materials 1 10003 10003  1 10003 10003  ",
	}
	if got := costsIn(t, &s, &ceiling); !slices.Equal(got, want) {
		t.Errorf("rows\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	ceiling-- // one cent lower, and the average is over it
	if got := costsIn(t, &s, &ceiling)[4]; !strings.Contains(got, "43750 true 3 90000 30000 false 43749") {
		t.Error(got)
	}
	if got := costsIn(t, &s, nil)[0]; got != "all all   3 97503 32501  4 100003 25001  " {
		t.Errorf("without a ceiling: %q", got)
	}
	if got := costsIn(t, &Spending{}, &ceiling); !slices.Equal(got, []string{"all all   0 0   0 0   43749"}) {
		t.Errorf("a month without jobs: %q", got)
	}
}

// The comparison is with the exact average: 100001 cents in three homes are
// 33333.67 each, over a ceiling of 33333 and not over one of 33334 [calc].
func TestCeilingIsHeldAgainstTheExactAverage(t *testing.T) {
	var s Spending
	for _, cents := range []int64{100001, 0, 0} {
		w := &Work{Figures: Figures{Outcome: domain.Completed, Pay: Pay{Lines: []PayLine{{State: Payable, AmountCents: cents}}}}}
		s.TakeNew(w)
		s.Cumulative.add(&w.Figures, &w.Pay, 1)
	}
	for ceiling, over := range map[int64]string{33333: "true", 33334: "false"} {
		if got := costsIn(t, &s, &ceiling)[0]; !strings.Contains(got, "100001 33334 "+over) {
			t.Errorf("ceiling %d: %s", ceiling, got)
		}
	}
	for cents, want := range map[int64]int64{5: 2, 15: 8, 25: 12, -5: -2, -15: -8, -16: -8, -14: -7} { // half to even, NIST SP 811 B.7.1 [mem]
		if got := *average(cents, 2); got != want {
			t.Errorf("%d/2: %d, want %d", cents, got, want)
		}
	}
}

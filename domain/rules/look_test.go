package rules

import (
	"testing"
	"time"

	"ductledger/domain"
)

// The crew's records of the clean job: each kind that counts is walked over.
func TestEntriesOfAllKinds(t *testing.T) {
	j := clean(t)
	want := map[domain.Kind]int{}
	for _, i := range j.items {
		switch i.Kind {
		case domain.VisitKind, domain.ComponentKind, domain.CrossoverKind, domain.OpeningKind, domain.RepairKind,
			domain.EnergyIsolationKind, domain.MeasurementKind, domain.PhotoKind:
			want[i.Kind]++
		}
	}
	got := map[domain.Kind]int{}
	for e := range j.assemble().entries() {
		got[e.Record.Kind()]++
	}
	for kind, n := range want {
		if got[kind] != n || n == 0 {
			t.Errorf("%d of %s, want %d", got[kind], kind, n)
		}
	}
}

func TestTimeOfIsTheLatest(t *testing.T) {
	for _, row := range []struct {
		name   string
		record domain.Record
		want   *time.Time
	}{
		{"an opening closed", &domain.Opening{MadeAt: when("09:45"), ClosedAt: when("14:20")}, when("14:20")},
		{"an opening closed before it was made", &domain.Opening{MadeAt: when("09:45"), ClosedAt: when("09:40")}, when("09:45")},
		{"an opening made", &domain.Opening{MadeAt: when("09:45")}, when("09:45")},
		{"an opening closed, nothing else", &domain.Opening{ClosedAt: when("14:20")}, when("14:20")},
		{"nothing known", &domain.Opening{}, nil},
		{"a lock", &domain.EnergyIsolation{VerifiedAt: when("09:42"), ReleasedAt: when("14:45")}, when("14:45")},
	} {
		if at, known := timeOf(row.record); known != (row.want != nil) || known && !at.Equal(*row.want) {
			t.Errorf("%s: %v %v", row.name, at, known)
		}
	}
}

// A day that is none is left as it came, not read beyond its end.
func TestYearsAfter(t *testing.T) {
	for day, want := range map[domain.Date]domain.Date{"2011-10-14": "2026-10-14", "0008-02-29": "0023-02-29", "2011": "2026",
		"": "", "26": "26", "abcd-01-01": "abcd-01-01"} {
		if got := yearsAfter(day, 15); got != want {
			t.Errorf("%q: %q, want %q", day, got, want)
		}
	}
}

func TestNearerEnd(t *testing.T) {
	for _, row := range []struct {
		start, end, at *float64
		want           domain.End
	}{
		{new(1.0), new(55.0), new(20.0), domain.Front}, {new(1.0), new(55.0), new(53.0), domain.Rear},
		{nil, new(55.0), new(20.0), ""}, {new(1.0), nil, new(20.0), ""}, {new(1.0), new(55.0), nil, ""},
	} {
		if got := nearerEnd(&domain.Component{StartFt: row.start, EndFt: row.end}, &domain.EndClosure{PositionFt: row.at}); got != row.want {
			t.Errorf("%+v: %q", row, got)
		}
	}
}

// Which two records describe one thing.
func TestDescribedTwiceBySight(t *testing.T) {
	x := func(from, to domain.Section, ft *float64) *domain.Crossover {
		return &domain.Crossover{FromSection: from, ToSection: to, Ends: []domain.CrossoverEnd{{Section: from, PositionFt: ft}}}
	}
	for _, row := range []struct {
		name string
		x, y *domain.Crossover
		want bool
	}{
		{"the same", x("A", "B", nil), x("A", "B", nil), true},
		{"from the other side", x("A", "B", nil), x("B", "A", nil), true},
		{"to another section", x("A", "B", nil), x("A", "C", nil), false},
		{"from another section", x("A", "B", nil), x("C", "B", nil), false},
		{"one end shared, turned", x("A", "B", nil), x("B", "C", nil), false},
		{"the other end shared, turned", x("A", "B", nil), x("C", "A", nil), false},
		{"at another place", x("A", "B", new(24.0)), x("A", "B", new(40.0)), false},
		{"at the same place", x("A", "B", new(24.0)), x("A", "B", new(24.0)), true},
		{"one place not known", x("A", "B", new(24.0)), x("A", "B", nil), true},
		{"one end not recorded", x("A", "B", new(24.0)), &domain.Crossover{FromSection: "A", ToSection: "B"}, true},
		{"the other's end not recorded", &domain.Crossover{FromSection: "A", ToSection: "B"}, x("A", "B", new(24.0)), true},
	} {
		if got := sameCrossover(row.x, row.y); got != row.want {
			t.Errorf("crossover %s: %v", row.name, got)
		}
	}
	o := domain.Opening{In: domain.InWrap, Section: "B", PositionFt: new(40.0), MadeAt: when("09:45")}
	for _, row := range []struct {
		name string
		do   func(o *domain.Opening)
		want bool
	}{
		{"the same", func(*domain.Opening) {}, true},
		{"in the duct", func(o *domain.Opening) { o.In = domain.InDuct }, false},
		{"in another section", func(o *domain.Opening) { o.Section = "A" }, false},
		{"at another place", func(o *domain.Opening) { o.PositionFt = new(41.0) }, false},
		{"at no place", func(o *domain.Opening) { o.PositionFt = nil }, false},
		{"at another time", func(o *domain.Opening) { o.MadeAt = when("09:46") }, false},
		{"at no time", func(o *domain.Opening) { o.MadeAt = nil }, false},
	} {
		y := o
		row.do(&y)
		if sameOpening(&o, &y) != row.want || sameOpening(&y, &o) != row.want {
			t.Errorf("opening %s, want %v", row.name, row.want)
		}
	}
	if none := (domain.Opening{In: domain.InWrap, Section: "B"}); sameOpening(&none, &none) {
		t.Error("openings without a place are not told to be one")
	}
}

// Each device is judged by its own clock.
func TestClocksOfTwoDevices(t *testing.T) {
	j := clean(t)
	entries := j.entries()
	slow, fast := domain.UUID{1}, domain.UUID{2}
	for i := range entries {
		switch i % 3 {
		case 0:
			entries[i].DeviceID, entries[i].ClockOffsetS = slow, new(-20.0)
		case 1:
			entries[i].DeviceID, entries[i].ClockOffsetS = fast, new(10.0)
		case 2:
			entries[i].DeviceID = fast
		}
	}
	for i := len(entries) - 1; i >= 0; i-- { // one late record of the fast one shows the most
		if entries[i].DeviceID == fast && entries[i].ClockOffsetS != nil && entries[i].Kind == domain.PhotoKind {
			entries[i].ClockOffsetS = new(400.0)
			break
		}
	}
	a, err := Assemble(j.job, entries, Outside{})
	if err != nil {
		t.Fatal(err)
	}
	v := Judge(DefaultSet(), a)
	if v.Findings[0].Subjects[0].ID != fast || v.Findings[0].Detail != "this device: its clock was 400 s fast; the program wants within 300 s." {
		t.Error(show(v.Findings))
	}
	if o := v.Of("device_clock").Outcomes; o != (Outcomes{Holds: 1, Broken: 1}) {
		t.Errorf("%+v", o)
	}
}

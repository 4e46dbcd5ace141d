package month_test

import (
	"archive/zip"
	"bytes"
	"io"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
)

// The home of the check values of delivery effectiveness: leaks of 120 and 24 cfm
// save 6/61 of its 6,100 kWh a year, 600 [calc, from the heating form of ASHRAE
// Standard 152 [mem]].
func withEnergy(s *domain.RuleSet) {
	s.EnergyFigures = []domain.EnergyFigure{
		{PayBasis: domain.Measured, Source: "a test", Typical: &domain.TypicalHeating{Quantity: domain.TotalLeakage, SupplyLeakRatio: 1, FanFlowCFM: 1000, HeatingOutputBtuH: 60000,
			IndoorF: 70, SupplyAmbientF: 40, SupplyAreaFt2: 200, SupplyRValue: new(4.0), HeatingEnergyKWh: new(6100.0)}},
		{DeemedKWh: new(1543.0), Source: "a test"},
	}
}

// Energy stands beside each job with its range, adds up to the month by method,
// moves by corrections, and is called an estimate wherever a person reads it.
func TestEnergyInAPackage(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 20, 18, 0, 0, 0, time.UTC), withEnergy)
	first := a.Accepted(120, 24)
	a.MoveTo("2026-10-05 10:00:00")
	september := a.build("2026-09", 0)
	row := september.tables["jobs"][0]
	for column, want := range map[string]string{"job_id": month.JobRef(first), "delivery_effectiveness_before_ratio": "0.819", "delivery_effectiveness_after_ratio": "0.908",
		"energy_saved_kwh": "600", "deemed_energy_saved_kwh": "", "no_energy_reason": ""} {
		if row[column] != want {
			t.Errorf("%s is %q, want %q", column, row[column], want)
		}
	}
	if low, high := row["energy_saved_low_kwh"], row["energy_saved_high_kwh"]; len(low) != 3 || low >= "600" || len(high) != 3 && len(high) != 4 {
		t.Errorf("its range: %s to %s", low, high)
	}
	second := a.Accepted(120, 24)
	a.Decide(first, domain.Reopen)
	a.Must(t, a.Field, a.Reading(first, domain.After, 240, -time.Hour))
	a.Send(first)
	a.Decide(first, domain.Accept)
	a.MoveTo("2026-11-02 10:00:00")
	october := a.build("2026-10", 0)
	moved := ""
	for _, c := range october.tables["corrections"] {
		if c["field"] == "energy_saved_kwh" && c["job_id"] == month.JobRef(first) {
			moved += c["event"] + " " + c["old_value"] + "→" + c["new_value"] + " "
		}
	}
	for measure, begin := range map[string]string{"jobs_with_energy_saved": "1 1 0 0 0 2", "energy_saved": "600 600 0 ", "deemed_energy_saved": "0 0 0 0 0 0"} {
		if got := october.line(measure); !strings.HasPrefix(got, begin) {
			t.Errorf("%s: %s, it should begin with %s", measure, got, begin)
		}
	}
	if !strings.Contains(moved, "re_opened 600→ ") || !strings.Contains(moved, "accepted_again →'-") {
		t.Errorf("job %s (beside %s) moved %q", first, second, moved)
	}
	october.verify(t, september)
	for _, words := range []string{"Energy saved in a year, estimated by delivery effectiveness: 600 kWh in a year", "is an estimate: the share of a"} {
		if !strings.Contains(readme(t, october.bytes), words) {
			t.Errorf("README.txt does not say %q", words)
		}
	}
}

// A program that estimates nothing is told nothing of energy.
func TestNoEnergyWithoutFigures(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 20, 18, 0, 0, 0, time.UTC))
	a.Accepted(120, 24)
	a.MoveTo("2026-10-05 10:00:00")
	b := a.build("2026-09", 0)
	if row := b.tables["jobs"][0]; row["energy_saved_kwh"] != "" || row["no_energy_reason"] != "" {
		t.Errorf("%v", row)
	}
	if text := readme(t, b.bytes); strings.Contains(text, "nergy") {
		t.Errorf("README.txt speaks of energy:\n%s", text)
	}
}

func readme(t *testing.T, file []byte) string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		if strings.HasSuffix(f.Name, "/README.txt") {
			r, err := f.Open()
			if err != nil {
				t.Fatal(err)
			}
			text, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			return string(text)
		}
	}
	t.Fatal("no README.txt")
	return ""
}

package wire_test

import (
	"testing"
	"time"

	"ductledger/api/wire"
	"ductledger/domain"
)

func TestRecord(t *testing.T) {
	checker, err := wire.NewChecker()
	if err != nil {
		t.Fatal(err)
	}
	early := time.Date(2026, 10, 14, 9, 0, 0, 0, time.UTC)
	late := early.Add(time.Hour)
	one, two := 1.0, 2.0
	id := domain.UUID{1}
	cases := []struct {
		name   string
		record domain.Record
		want   string // pointer of the one fault; empty: none
	}{
		{"opening closes after it was made", &domain.Opening{MadeAt: &early, ClosedAt: &late}, ""},
		{"at once", &domain.Opening{MadeAt: &early, ClosedAt: &early}, ""},
		{"closes before it was made", &domain.Opening{MadeAt: &late, ClosedAt: &early}, "/closed_at"},
		{"closed, made is not known", &domain.Opening{ClosedAt: &early}, ""},
		{"trunk has a length", &domain.Component{StartFt: &one, EndFt: &two}, ""},
		{"trunk without length", &domain.Component{StartFt: &one, EndFt: &one}, "/end_ft"},
		{"paper ends before it begins", &domain.Credential{CrewMemberID: &id, ValidFromOn: "2026-02-01", ValidUntilOn: "2026-01-31"}, "/valid_until_on"},
		{"paper without holder", &domain.Credential{ValidFromOn: "2026-02-01"}, "/contractor_id"},
		{"paper with two holders", &domain.Credential{CrewMemberID: &id, ContractorID: &id, ValidFromOn: "2026-02-01"}, "/contractor_id"},
		{"fan reading without flow", &domain.Measurement{Method: domain.FanTotal, Readings: []domain.Reading{{PressurePa: &one, FlowCFM: &one}, {PressurePa: &one}}}, "/readings/1"},
		{"fan reading by range", &domain.Measurement{Method: domain.FanTotal, Readings: []domain.Reading{{PressurePa: &one, FanPressurePa: &one, Range: "1"}}}, ""},
		{"pan without house pressure", &domain.Measurement{Method: domain.Pan, Readings: []domain.Reading{{ComponentID: &id, PanPa: &one}}}, "/house_pressure_pa"},
		{"masked over whole", &domain.Measurement{Method: domain.Subtraction, HousePressurePa: &one, Readings: []domain.Reading{{WholeCFM: &one, MaskedCFM: &two, HouseToDuctPa: &one}}}, "/readings/0"},
		{"correction without reason", &domain.Photo{Replaces: &id}, "/reason"},
		{"crossover to its own section", &domain.Crossover{FromSection: "A", ToSection: "A"}, "/to_section"},
		{"stop cleared before it was made", &domain.Visit{Stops: []domain.Stop{{At: late, ClearedAt: &early}}}, "/stops/0/cleared_at"},
		{"return without reason", &domain.Review{Decision: domain.Return}, "/reason_codes"},
		{"answer to nothing", &domain.Review{Decision: domain.Answer}, "/finding"},
		{"acceptance needs no reason", &domain.Review{Decision: domain.Accept}, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			faults := checker.Record(c.record)
			if c.want == "" && len(faults) == 0 {
				return
			}
			if len(faults) != 1 || faults[0].Pointer != c.want || faults[0].Detail == "" {
				t.Errorf("got %+v, want one at %q", faults, c.want)
			}
		})
	}
}

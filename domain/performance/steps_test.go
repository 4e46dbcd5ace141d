package performance

import (
	"slices"
	"testing"
	"time"

	"ductledger/domain"
)

func TestStepsOf(t *testing.T) {
	joint, boot1, boot2, end := id(11), id(12), id(13), id(14)
	kinds := map[domain.UUID]string{joint: "furnace_joint", boot1: "boot", boot2: "boot", end: "trunk_end"}
	morning := time.Date(2026, 10, 14, 9, 0, 0, 0, time.UTC)
	read := func(hour int, tenths int64, pressure float64, repairs ...domain.UUID) StageReading {
		return StageReading{ID: id(100 + hour), Method: "fan_total", TakenAt: morning.Add(time.Duration(hour) * time.Hour), Tenths: tenths, PressurePa: pressure, Repairs: repairs}
	}
	other := read(2, 1, 25, joint)
	other.Method = "fan_outside"
	step := func(kind string, before, after int64) Step {
		return Step{JobID: id(1), RepairType: kind, Basis: BasisInterim, BeforeTenths: before, AfterTenths: after}
	}
	for _, c := range []struct {
		name     string
		readings []StageReading
		steps    []Step
		reasons  []string
	}{
		{"no reading", nil, nil, nil},
		{"one reading", []StageReading{read(0, 3180, 25)}, nil, nil},
		{"one kind in the whole job", []StageReading{read(0, 3180, 25), read(6, 1210, 25.1, boot1, boot2)}, []Step{step("boot", 3180, 1210)}, nil},
		{"steps in any order add up", []StageReading{read(6, 1210, 25.1, joint, boot1, boot2), read(0, 3180, 25), read(3, 2500, 25, joint)},
			[]Step{step("furnace_joint", 3180, 2500), step("boot", 2500, 1210)}, nil},
		{"several kinds between", []StageReading{read(0, 3180, 25), read(3, 2500, 25, joint, end), read(6, 1210, 25, joint, end, boot1)},
			[]Step{step("boot", 2500, 1210)}, []string{SeveralKinds}},
		{"twice the same", []StageReading{read(0, 3180, 25), read(1, 3170, 25)}, nil, []string{NoRepair}},
		{"fewer repairs later", []StageReading{read(3, 2500, 25, joint), read(6, 1210, 25, boot1)}, nil, []string{NotInOrder}},
		{"at the pressures' limit", []StageReading{read(0, 3180, 25), read(6, 1210, 25.5, boot1)}, []Step{step("boot", 3180, 1210)}, nil},
		{"other pressures", []StageReading{read(0, 3180, 25), read(6, 1210, 20, boot1)}, nil, []string{PressuresDrift}},
		{"lines through several", []StageReading{read(0, 3180, 0), read(6, 1210, 0, boot1)}, []Step{step("boot", 3180, 1210)}, nil},
		{"another method is passed over", []StageReading{read(0, 3180, 25), other, read(6, 1210, 25, boot1)}, []Step{step("boot", 3180, 1210)}, nil},
	} {
		steps, reasons := StepsOf(id(1), c.readings, kinds)
		if !slices.Equal(steps, c.steps) || !slices.Equal(reasons, c.reasons) {
			t.Errorf("%s: %v %v, want %v %v", c.name, steps, reasons, c.steps, c.reasons)
		}
	}
}

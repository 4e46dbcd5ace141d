package world

import (
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// Fault is what a crew got wrong or forgot.
type Fault string

// The faults. About one job in six has one.
const (
	NoFault         Fault = ""
	BandByHand      Fault = "a band drawn by hand"
	ThreeScrews     Fault = "three screws in a collar"
	OnTheGround     Fault = "a crossover on the ground"
	NoIsolation     Fault = "no isolation of energy recorded"
	LateIsolation   Fault = "energy cut after the trunk was opened"
	LapsedFan       Fault = "the reading after by a fan whose calibration has lapsed"
	GapWithoutMesh  Fault = "a wide gap without mesh"
	ShortLap        Fault = "a patch that laps too little"
	LeftOpen        Fault = "an opening in the wrap left open"
	ClosureUpstream Fault = "a sloped blank before the last register"
	NoPhotoOfEnd    Fault = "no photo of a closed trunk end"
	HigherAfter     Fault = "more leakage after than before"
)

// faultShare is the share of jobs with a fault, at a crew of middling care.
const faultShare = 1.0 / 6

func drawFault(d dice, p *Plan) Fault {
	if !d.chance(min(faultShare*p.Crew.careless, 0.5)) || p.Deferred {
		return NoFault
	}
	faults := []Fault{NoIsolation, LateIsolation, LapsedFan, GapWithoutMesh, ShortLap, LeftOpen, ClosureUpstream, NoPhotoOfEnd, HigherAfter}
	if p.Home.SectionCount > 1 {
		faults = append(faults, BandByHand, BandByHand, ThreeScrews, ThreeScrews, OnTheGround)
	}
	return pick(d, faults...)
}

// spoil puts the fault into the records; what was right goes into the cure.
func (w *work) spoil() {
	switch w.Fault {
	case BandByHand:
		change(w, func(x *domain.Crossover) { x.Ends[0].OuterBandToolTightened = new(false) })
	case ThreeScrews:
		change(w, func(x *domain.Crossover) { x.Ends[0].FastenersCount = new(3) })
	case OnTheGround:
		change(w, func(x *domain.Crossover) { x.ClearanceIn = new(0.0) })
	case NoIsolation:
		w.drop(func(item rules.Item) bool {
			photo, ok := item.Record.(*domain.Photo)
			return item.Kind == domain.EnergyIsolationKind || ok && photo.Subjects[0].Kind == domain.EnergyIsolationKind
		})
		w.cure = nil // what was not done is not entered later
	case LateIsolation:
		change(w, func(e *domain.EnergyIsolation) { e.IsolatedAt, e.VerifiedAt = w.when(10, 8), w.when(10, 10) })
		w.cure = nil
	case LapsedFan:
		w.lapse()
	case GapWithoutMesh:
		change(w, func(r *domain.Repair) { r.Materials = []domain.Material{domain.Mastic} }, func(r *domain.Repair) bool { return len(r.Fasteners) > 0 })
	case ShortLap:
		change(w, func(o *domain.Opening) { o.Closure.PatchLapIn = new(0.5) }, func(o *domain.Opening) bool { return o.In == domain.InDuct })
	case LeftOpen:
		w.leaveOpen()
	case ClosureUpstream:
		change(w, func(r *domain.Repair) { r.EndClosure.PositionFt = new(w.layout.lengthFt - 6) },
			func(r *domain.Repair) bool {
				return r.EndClosure != nil && *r.EndClosure.PositionFt > w.layout.lengthFt/2
			})
	case NoPhotoOfEnd:
		end := w.ends["A"][1]
		w.drop(func(item rules.Item) bool {
			photo, ok := item.Record.(*domain.Photo)
			return ok && photo.Subjects[0].ID == end
		})
	}
}

// change spoils the first record of a type that fits; the cure has it as it
// should be.
func change[T any, R interface {
	*T
	domain.Record
}](w *work, spoil func(R), fits ...func(R) bool) {
	for i, item := range w.items {
		r, ok := item.Record.(R)
		if !ok || len(fits) > 0 && !fits[0](r) {
			continue
		}
		spoiled := copyOf(item.Record).(R)
		spoil(spoiled)
		w.items[i].Record = spoiled
		w.cure = append(w.cure, item)
		return
	}
}

// drop takes records out; the cure brings them.
func (w *work) drop(which func(rules.Item) bool) {
	for _, item := range w.items {
		if which(item) {
			w.cure = append(w.cure, item)
		}
	}
	w.items = slices.DeleteFunc(w.items, which)
}

// lapse reads the leakage after with the old fan; the cure reads it again.
func (w *work) lapse() {
	for i, item := range w.items {
		m, ok := item.Record.(*domain.Measurement)
		if !ok || m.Stage != domain.After {
			continue
		}
		again := *m
		again.TakenAt = m.TakenAt.Add(10 * time.Minute)
		again.Replaces, again.Reason = &item.ID, "read again with a fan that is in calibration"
		m.InstrumentID = w.Crew.Lapsed
		before := len(w.items)
		id := w.add(&again)
		w.photo(again.TakenAt.Add(time.Minute), domain.AfterStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: id, Shows: domain.ShowsGauge})
		w.cure = append(w.cure, w.items[before:]...)
		w.items = w.items[:before:before]
		w.items[i].Record = m
		return
	}
}

// leaveOpen forgets to close the last opening of the wrap.
func (w *work) leaveOpen() {
	var id domain.UUID
	change(w, func(o *domain.Opening) { o.ClosedAt, o.Closure = nil, nil }, func(o *domain.Opening) bool { return o.In == domain.InWrap && o.Made() })
	if len(w.cure) > 0 {
		id = w.cure[0].ID
	}
	w.drop(func(item rules.Item) bool {
		photo, ok := item.Record.(*domain.Photo)
		return ok && photo.Subjects[0].ID == id && photo.Subjects[0].Shows == domain.ShowsClosed
	})
}

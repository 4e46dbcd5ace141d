package world

import (
	"time"

	"ductledger/domain"
)

// openings are what the crew cut to reach the furnace joint.
func (w *work) openings() {
	joint := &domain.Subject{Kind: domain.ComponentKind, ID: w.joint}
	furnace := *w.Home.FurnacePositionFt
	w.wrapOpening(domain.ByCrew, joint, "A", furnace, w.when(9, 45), w.when(14, 20))
	duct := &domain.Opening{JobID: w.JobID, In: domain.InDuct, Origin: domain.ByCrew, Target: joint, Section: "A", PositionFt: new(furnace + 0.5),
		WidthIn: new(8.0), LengthIn: new(8.0), MadeAt: w.when(9, 58), ClosedAt: w.when(11, 5), EdgesTaped: new(w.chance(0.9)),
		Closure: &domain.Closure{PatchWidthIn: new(10.5), PatchLengthIn: new(10.5), PatchLapIn: new(1.25), MasticUnder: new(true), MasticOver: new(true), ThicknessReached: new(true)}}
	id := w.id(w.worked.Add(Morning))
	if w.fixedParts {
		id = fixed(FixedOpening)
	}
	w.put(id, duct)
	w.openAndClosed(id, *duct.MadeAt, *duct.ClosedAt)
	if w.Home.WrapState == "torn" { // found, and left as it was
		w.add(&domain.Opening{JobID: w.JobID, In: domain.InWrap, Origin: domain.FoundOpen, Section: w.layout.sections[len(w.layout.sections)-1], PositionFt: new(w.layout.lengthFt - 8)})
	}
}

func (w *work) wrapOpening(origin domain.OpeningOrigin, target *domain.Subject, section domain.Section, ft float64, made, closed *time.Time) {
	closure := &domain.Closure{WrapMaterial: string(domain.FabricWrap), WrapJoining: "clinched_staples", InsulationBack: new(true)}
	if w.Home.WrapKind == domain.RigidBoard {
		closure = &domain.Closure{WrapMaterial: string(domain.RigidBoard), WrapJoining: "fasteners_with_washers", LapIn: new(2.0), InsulationBack: new(true)}
	}
	id := w.add(&domain.Opening{JobID: w.JobID, In: domain.InWrap, Origin: origin, Target: target, Section: section, PositionFt: &ft,
		WidthIn: new(24.0), LengthIn: new(30.0), MadeAt: made, ClosedAt: closed, InsulationFound: new(true), Closure: closure})
	w.openAndClosed(id, *made, *closed)
}

func (w *work) openAndClosed(id domain.UUID, made, closed time.Time) {
	of := func(shows domain.Shows) domain.PhotoSubject {
		return domain.PhotoSubject{Kind: domain.OpeningKind, ID: id, Shows: shows}
	}
	w.photo(made.Add(time.Minute), domain.BeforeStage, of(domain.ShowsOpen))
	w.photo(closed.Add(time.Minute), domain.AfterStage, of(domain.ShowsClosed))
}

// crossovers joins each section to the next one.
func (w *work) crossovers() {
	for i := 1; i < len(w.layout.sections); i++ {
		from, to := w.layout.sections[i-1], w.layout.sections[i]
		minute := 15 * (i - 1)
		diameter := pick(w.dice, 10.0, 12.0, 14.0)
		end := func(section domain.Section) domain.CrossoverEnd {
			return domain.CrossoverEnd{Section: section, PositionFt: &w.layout.crossFt, CollarDiameterIn: &diameter, CollarFound: domain.FoundLeaky,
				CollarSealed: new(true), TabsFolded: new(true), FastenersCount: new(w.between(4, 6)), InnerBandNew: new(true), InnerBandToolTightened: new(true),
				OuterBandNew: new(true), OuterBandToolTightened: new(true), LinerTurnsCount: new(float64(w.between(2, 3)))}
		}
		x := &domain.Crossover{JobID: w.JobID, FromSection: from, ToSection: to, Crossover: domain.FlexRound, Action: pick(w.dice, domain.Refitted, domain.Replaced),
			TakenDownAt: w.when(11, 20+minute), Ends: []domain.CrossoverEnd{end(from), end(to)}, ClearanceIn: new(0.5 * float64(w.between(2, 8))),
			Support: pick(w.dice, domain.Straps, domain.Straps, domain.Blocks), SupportSpacingFt: new(float64(w.between(3, 4))), SagInPerFt: new(0.3),
			DuctDiameterIn: &diameter, InsulationR: new(8.0), LengthFt: new(float64(w.between(6, 12))), DamageCause: pick(w.dice, "animals", "soil", "age", "hand_tight_bands")}
		id := w.add(x)
		w.cross = append(w.cross, id)
		w.wrapOpening(domain.FoundEnlarged, &domain.Subject{Kind: domain.CrossoverKind, ID: id}, to, w.layout.crossFt, w.when(11, 15+minute), w.when(14, 30+i))
		for n, section := range []domain.Section{from, to} {
			of := func(shows domain.Shows) domain.PhotoSubject {
				return domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: shows, Section: section}
			}
			w.photo(w.at(11, 22+minute+2*n), domain.BeforeStage, of(domain.ShowsBare))
			w.photo(w.at(11, 30+minute+2*n), domain.CheckStage, of(domain.ShowsSealed))
		}
		w.photo(w.at(12, 1+minute), domain.AfterStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsFinished})
		w.add(&domain.Repair{JobID: w.JobID, Repair: domain.RepairCrossover, CrossoverID: &id, Access: domain.FromBelow, DoneAt: w.at(12, minute),
			Materials: []domain.Material{domain.FlexDuct, domain.Bands, domain.Mastic}})
	}
}

// repairs seals the furnace joint, the seam, the trunk ends and the boots.
func (w *work) repairs() {
	w.add(&domain.Repair{JobID: w.JobID, Repair: domain.RepairFurnaceJoint, ComponentIDs: []domain.UUID{w.joint}, Access: domain.FromBelow, DoneAt: w.at(10, 40),
		Materials: []domain.Material{domain.SheetMetal, domain.Mesh, domain.Mastic}, WidestGapIn: new(0.75), TabsFolded: new(true)})
	w.photo(w.at(10, 15), domain.BeforeStage, part(w.joint, ""))
	w.photo(w.at(10, 45), domain.AfterStage, part(w.joint, ""))
	w.add(&domain.Repair{JobID: w.JobID, Repair: domain.RepairTrunkSeam, ComponentIDs: []domain.UUID{w.trunks["A"]}, Access: domain.FromBelow, DoneAt: w.at(10, 50),
		Materials: []domain.Material{domain.Mesh, domain.Mastic}, WidestGapIn: new(0.125)})
	for i, section := range w.layout.sections {
		w.endRepair(section, 0, w.at(12, 40+14*i))
		w.endRepair(section, 1, w.at(12, 46+14*i))
	}
	var leaky []domain.UUID
	for _, section := range w.layout.sections {
		for _, id := range w.boots[section] {
			if !contains(w.loose, id) {
				leaky = append(leaky, id)
			}
		}
	}
	w.add(&domain.Repair{JobID: w.JobID, Repair: domain.RepairBoot, ComponentIDs: leaky, Access: domain.FromAbove, DoneAt: w.at(13, 40),
		Materials: []domain.Material{domain.Mastic}, WidestGapIn: new(0.25)})
	w.add(&domain.Repair{JobID: w.JobID, Repair: domain.RepairBoot, ComponentIDs: w.loose, Access: domain.FromAbove, DoneAt: w.at(14, 0),
		Materials: []domain.Material{domain.Mesh, domain.Mastic}, WidestGapIn: new(0.5), Fasteners: []domain.Fasteners{{Kind: "nail", Count: 4 * len(w.loose)}}, FastenersEach: new(4)})
	for i, id := range w.loose {
		w.photo(w.at(13, 50+i), domain.CheckStage, part(id, ""))
		w.photo(w.at(14, 4+i), domain.AfterStage, part(id, ""))
	}
}

// endRepair closes an end between it and the outermost register.
func (w *work) endRepair(section domain.Section, end int, done time.Time) {
	ft := []float64{2.5, w.layout.lengthFt - 2.5}[end]
	closure := &domain.EndClosure{Form: domain.SlopedBlank, Material: domain.SheetMetalBlank, PositionFt: &ft, ScrewsCount: new(6), BackToEndWall: new(true), Sealed: new(true)}
	materials := []domain.Material{domain.SheetMetal, domain.Mastic}
	if w.chance(0.3) {
		closure = &domain.EndClosure{Form: domain.BoardPlug, PositionFt: &ft, Tapered: new(true), FoilToAir: new(true), MasticAllRound: new(true)}
		materials = []domain.Material{domain.DuctBoard, domain.Mastic}
	}
	id := w.ends[section][end]
	w.add(&domain.Repair{JobID: w.JobID, Repair: domain.RepairTrunkEnd, ComponentIDs: []domain.UUID{id}, DoneAt: done, Materials: materials, EndClosure: closure})
	w.photo(done.Add(2*time.Minute), domain.AfterStage, part(id, ""))
}

func contains(list []domain.UUID, id domain.UUID) bool {
	for _, x := range list {
		if x == id {
			return true
		}
	}
	return false
}

package storage_test

import (
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/storage/storagetest"

	"pgregory.net/rapid"
)

// kids draws the children of one job.
type kids struct {
	*sceneMaker
	job                                       domain.UUID
	components, crossovers, repairs, readings []domain.UUID
	photos, openings, callBacks, isolations   []domain.UUID
}

// some draws one of ids; nil when there is none or chance says so.
func (k *kids) some(ids []domain.UUID, label string) *domain.UUID {
	if len(ids) == 0 || !k.chance(60, label) {
		return nil
	}
	return new(ids[rapid.IntRange(0, len(ids)-1).Draw(k.T, label)])
}

func (k *kids) clock(label string) time.Time {
	return storagetest.Start.Add(time.Duration(rapid.IntRange(0, 8*60).Draw(k.T, label)) * time.Minute)
}

// child adds one record of any kind with its later versions.
func (k *kids) child() {
	kinds := []func(domain.UUID) func() domain.Record{k.visit, k.component, k.component, k.crossover, k.opening, k.repair, k.isolation, k.reading, k.photo, k.reply}
	if k.withStaff {
		kinds = append(kinds, k.callBack, k.waiver, k.inspection, k.answer)
	}
	id := k.id()
	make := kinds[rapid.IntRange(0, len(kinds)-1).Draw(k.T, "kind")](id)
	record := make()
	row, _ := domain.RowOf(record.Kind())
	byStaff := true
	for _, role := range row.Writers {
		byStaff = byStaff && role != domain.Field
	}
	if review, ok := record.(*domain.Review); ok {
		byStaff = review.Decision != domain.Reply
	}
	k.put(id, byStaff, record)
	if !row.Fixed {
		for range rapid.IntRange(0, 2).Draw(k.T, "edits") {
			k.put(id, byStaff, make())
		}
	}
	mayVoid := byStaff || record.Kind() != domain.ReviewKind
	if mayVoid && k.chance(15, "void") {
		k.void(id)
		if !row.Fixed && k.chance(30, "after all") {
			k.put(id, byStaff, make())
		}
	}
}

func (k *kids) visit(domain.UUID) func() domain.Record {
	callBack := k.some(k.callBacks, "call back")
	return func() domain.Record {
		return &domain.Visit{JobID: k.job, VisitedOn: domain.Date(fmt.Sprintf("2026-10-%02d", rapid.IntRange(1, 9).Draw(k.T, "day"))), LeadID: &k.ids.lead, CallBackID: callBack}
	}
}

func (k *kids) component(id domain.UUID) func() domain.Record {
	k.components = append(k.components, id)
	sort := rapid.SampledFrom([]domain.ComponentSort{domain.Boot, domain.Riser, domain.FurnaceJoint, domain.TrunkEnd}).Draw(k.T, "sort")
	return func() domain.Record {
		return &domain.Component{JobID: k.job, Component: sort, Section: "A", PositionFt: k.float(0, 60, "position"), Found: domain.FoundLeaky}
	}
}

func (k *kids) crossover(id domain.UUID) func() domain.Record {
	k.crossovers = append(k.crossovers, id)
	return func() domain.Record {
		return &domain.Crossover{JobID: k.job, FromSection: "A", ToSection: "B", Crossover: domain.FlexRound, ClearanceIn: k.float(0, 9, "clearance")}
	}
}

func (k *kids) opening(id domain.UUID) func() domain.Record {
	target := k.some(k.components, "target")
	k.openings = append(k.openings, id)
	return func() domain.Record {
		made := k.clock("made")
		o := &domain.Opening{JobID: k.job, In: domain.InWrap, Origin: domain.ByCrew, Section: "A", MadeAt: &made}
		if target != nil {
			o.Target = &domain.Subject{Kind: domain.ComponentKind, ID: *target}
		}
		if k.chance(50, "closed") {
			o.ClosedAt = new(made.Add(time.Hour))
		}
		return o
	}
}

func (k *kids) repair(id domain.UUID) func() domain.Record {
	part, crossover := k.some(k.components, "part"), k.some(k.crossovers, "crossover")
	k.repairs = append(k.repairs, id)
	return func() domain.Record {
		r := &domain.Repair{JobID: k.job, Repair: domain.RepairBoot, CrossoverID: crossover, DoneAt: k.clock("done"), Materials: []domain.Material{domain.Mastic}}
		if part != nil {
			r.ComponentIDs = []domain.UUID{*part}
		}
		return r
	}
}

func (k *kids) isolation(id domain.UUID) func() domain.Record {
	k.isolations = append(k.isolations, id)
	return func() domain.Record {
		cut := k.clock("cut")
		return &domain.EnergyIsolation{JobID: k.job, IsolatedAt: &cut, VerifiedAt: new(cut.Add(time.Minute)), VerifiedByID: &k.ids.lead, PointsCount: new(2)}
	}
}

// reading replaces another sometimes: of the same method, as it must.
func (k *kids) reading(id domain.UUID) func() domain.Record {
	m := &domain.Measurement{JobID: k.job, Method: domain.FanTotal, Stage: rapid.SampledFrom([]domain.Stage{domain.Before, domain.After}).Draw(k.T, "stage"),
		InstrumentID: k.ids.fan, TakenAt: k.clock("taken"), Readings: []domain.Reading{{PressurePa: new(25.0), FlowCFM: k.float(50, 400, "flow")}}}
	if m.Replaces = k.some(k.readings, "replaces"); m.Replaces != nil {
		m.Reason = "misread"
	}
	k.readings = append(k.readings, id)
	return func() domain.Record { return m }
}

func (k *kids) photo(id domain.UUID) func() domain.Record {
	p := &domain.Photo{JobID: k.job, SHA256: fmt.Sprintf("%064x", k.next), BytesCount: 1000, MediaType: "image/jpeg", WidthPx: 1600, HeightPx: 1200,
		TakenAt: k.clock("taken"), Stage: domain.AfterStage}
	for kind, ids := range map[domain.Kind][]domain.UUID{domain.ComponentKind: k.components} {
		if of := k.some(ids, "subject"); of != nil {
			p.Subjects = append(p.Subjects, domain.PhotoSubject{Kind: kind, ID: *of})
		}
	}
	if of := k.some(k.openings, "opening"); of != nil {
		p.Subjects = append(p.Subjects, domain.PhotoSubject{Kind: domain.OpeningKind, ID: *of, Shows: domain.ShowsOpen})
	}
	if p.Replaces = k.some(k.photos, "replaces"); p.Replaces != nil {
		p.Reason = "blurred"
	}
	k.photos = append(k.photos, id)
	return func() domain.Record { return p }
}

func (k *kids) reply(domain.UUID) func() domain.Record {
	return func() domain.Record {
		return &domain.Review{JobID: k.job, Decision: domain.Reply, Text: rapid.SampledFrom([]string{"seen", "done", "no"}).Draw(k.T, "text")}
	}
}

func (k *kids) answer(domain.UUID) func() domain.Record {
	return func() domain.Record {
		return &domain.Review{JobID: k.job, Decision: domain.Answer, Finding: &domain.FindingRef{Rule: "photo_of_gauge", Subjects: []domain.Subject{}},
			Text: rapid.SampledFrom([]string{"seen", "fine"}).Draw(k.T, "text")}
	}
}

func (k *kids) callBack(id domain.UUID) func() domain.Record {
	k.callBacks = append(k.callBacks, id)
	return func() domain.Record {
		return &domain.CallBack{JobID: k.job, ReportedOn: "2026-10-20", Reason: rapid.SampledFrom([]string{"noise", "cold"}).Draw(k.T, "reason")}
	}
}

func (k *kids) waiver(domain.UUID) func() domain.Record {
	return func() domain.Record {
		return &domain.Waiver{JobID: k.job, Finding: domain.FindingRef{Rule: "photo_of_gauge", Subjects: []domain.Subject{}}, AgreedConsequence: "none",
			Reason: rapid.SampledFrom([]string{"agreed", "no access"}).Draw(k.T, "reason")}
	}
}

func (k *kids) inspection(domain.UUID) func() domain.Record {
	return func() domain.Record {
		return &domain.Inspection{JobID: k.job, Purpose: "monitoring", InspectedOn: "2026-10-20", InspectorName: "Ivy Invented",
			Result: rapid.SampledFrom([]string{"passed", "failed"}).Draw(k.T, "result")}
	}
}

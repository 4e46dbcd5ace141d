package storage_test

import (
	"context"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage/storagetest"
)

// The same batch from many at once, with everything that a batch can hold: new
// and known records, voids, reviews that move a job, what waits, what is
// rejected, what is in conflict and held. No sender is answered with an error,
// each record is made once, each held item is one.
func TestSameMixedBatchAtOnce(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	const senders, rounds = 8, 2
	for round := range rounds {
		job, part, late := w.Job(t), storagetest.ID(), storagetest.ID()
		w.Must(t, w.Field, storagetest.Item(t, part, &domain.Component{JobID: job, Component: domain.Boot}),
			storagetest.On(storagetest.Item(t, job, &domain.Job{HomeID: w.Home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.SentIn, Outcome: domain.Completed}), 1))
		home, contractor, newJob := storagetest.ID(), storagetest.ID(), storagetest.ID()
		items := []*intake.Item{
			storagetest.Item(t, home, &domain.Home{SectionCount: 1}),
			storagetest.Item(t, contractor, &domain.Contractor{Name: "New Invented"}),
			storagetest.Item(t, storagetest.ID(), &domain.CrewMember{ContractorID: contractor, Name: "Lou Invented"}),
			storagetest.Item(t, newJob, &domain.Job{HomeID: home, ContractorID: contractor, PayBasis: domain.Measured, State: domain.Assigned}),
			storagetest.Item(t, storagetest.ID(), &domain.Component{JobID: newJob, Component: domain.Boot}),
			storagetest.On(storagetest.Item(t, w.Home, &domain.Home{SectionCount: 1 + round%2, Park: "Park"}), int64(round+1)),
			storagetest.Item(t, storagetest.ID(), &domain.Review{JobID: job, Decision: domain.Return, ReasonCodes: []string{"photo"}}),
			storagetest.Item(t, storagetest.ID(), &domain.CallBack{JobID: job, ReportedOn: "2026-10-20", Reason: "noise"}),
			voidItem(domain.ComponentKind, part, 1),
			storagetest.Item(t, storagetest.ID(), &domain.Component{JobID: storagetest.ID(), Component: domain.Boot}),                         // waits
			storagetest.Item(t, part, &domain.Component{JobID: job, Component: domain.Riser}),                                                 // conflict
			storagetest.Item(t, storagetest.ID(), &domain.Component{JobID: job, Component: domain.Trunk, StartFt: new(5.0), EndFt: new(1.0)}), // has a bad shape
			storagetest.Item(t, late, &domain.Opening{JobID: newJob, In: domain.InWrap, Origin: domain.ByCrew, Section: "A", ClosedAt: nil}),  // new
			storagetest.Item(t, storagetest.ID(), &domain.Instrument{ContractorID: &contractor, Instrument: domain.DuctFan, Serial: "F-9"}),   // new
			storagetest.Item(t, storagetest.ID(), &domain.Device{ContractorID: &contractor, Name: "phone", State: domain.DeviceActive}),       // new
			storagetest.Item(t, storagetest.ID(), &domain.TrainingEvent{CrewMemberID: w.Lead, HeldOn: "2026-09-01", Topic: "boots"}),          // new
			storagetest.Item(t, storagetest.ID(), &domain.Credential{CrewMemberID: &w.Lead, Credential: domain.DuctSealingCertificate, ValidFromOn: "2026-01-01"}),
		}
		items[11].Problem = domain.InvalidFields([]domain.Fault{{Pointer: "/end_ft", Code: "order"}}).(*domain.Error)
		created := make([]int, len(items))
		held := make([]map[domain.UUID]bool, len(items))
		statuses := make([][]intake.Status, senders)
		ids := make([][]domain.UUID, senders)
		for i, err := range atOnce(senders, func(i int) error {
			batch := copies(items)
			batch[11].Problem = items[11].Problem
			pushed, err := db.Push(context.Background(), w.Staff, stamp(w.Staff, db.Now(), batch))
			for _, item := range pushed.Items {
				statuses[i], ids[i] = append(statuses[i], item.Status), append(ids[i], item.HeldID)
			}
			return err
		}) {
			if err != nil {
				t.Fatalf("round %d, sender %d: %v", round, i, err)
			}
		}
		for i := range senders {
			for n, status := range statuses[i] {
				if status.Accepted() {
					created[n]++
				}
				if held[n] == nil {
					held[n] = map[domain.UUID]bool{}
				}
				held[n][ids[i][n]] = true
			}
		}
		for n, item := range items {
			refused := n >= 9 && n <= 11
			if refused && created[n] != 0 || !refused && created[n] != 1 || len(held[n]) != 1 {
				t.Errorf("round %d, item %d, a %s: made %d times, held as %v", round, n, item.Kind, created[n], held[n])
			}
		}
	}
	if err := verifyLedger(db, w.Staff); err != nil {
		t.Error(err)
	}
}

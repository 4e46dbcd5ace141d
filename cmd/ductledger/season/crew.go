package season

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"ductledger/api/device"
	"ductledger/api/wire"
	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
	"ductledger/storage"
)

// The links of the invented crews.
const (
	loseReply = 0.08
	repeat    = 0.05
	late      = 0.03
)

// handOutPhone gives a crew its device, on a bad link.
func (s *season) handOutPhone(crew *fixture.Crew) error {
	text, err := s.Token(s.ctx, s.program, storage.Token{Role: domain.Field, Name: fmt.Sprintf("DEMO Lead %d", crew.Number), ContractorID: crew.Contractor, DeviceID: crew.Device})
	if err != nil {
		return err
	}
	if crew.Number == 1 {
		s.tokens[domain.Field] = text
	}
	chance := rand.New(rand.NewPCG(demoSeed, uint64(crew.Number)))
	phone, err := device.Open(device.Options{
		URL: s.URL, Token: text, ID: crew.Device, Now: s.Clock.Now, Rand: chance,
		Link:   &device.BadLink{Link: s.Link, Rand: rand.New(rand.NewPCG(demoSeed+1, uint64(crew.Number))), LoseReply: loseReply, Repeat: repeat, Late: late},
		Wait:   func(ctx context.Context, _ time.Duration) error { return ctx.Err() }, // the clock stands: there is nothing to wait for
		Client: wire.Client{Name: "DEMO field app", Version: "1", Schema: 1},
	})
	s.phones[crew], s.phoneTokens[crew] = phone, text
	return err
}

// crewDay is a crew's evening: it pulls what it was given, and sends in what
// it did.
func (s *season) crewDay(ctx context.Context, phone *device.Device, day int, jobs []*job) error {
	if err := phone.Pull(ctx); err != nil {
		return err
	}
	for _, j := range jobs {
		if err := s.record(phone, day, j); err != nil {
			return err
		}
	}
	if err := phone.Push(ctx); err != nil {
		return err
	}
	for _, t := range phone.Troubles() {
		return fmt.Errorf("the service refused a %s: %s", t.Kind, t.Problem)
	}
	return nil
}

// record writes down a job's work, or what was mended of it.
func (s *season) record(phone *device.Device, day int, j *job) error {
	work := j.Work()
	items := work.Sent
	if j.stand == returned {
		items = work.Cure
	}
	for _, item := range items {
		if err := phone.Put(item.ID, item.Record); err != nil {
			return err
		}
	}
	moved := *j.Job
	moved.State, moved.Outcome = domain.SentIn, domain.Completed
	switch {
	case j.Begun():
		moved.State, moved.Outcome = domain.InWork, ""
	case j.Deferred:
		moved.Outcome, moved.OutcomeReason = domain.DeferredWork, "DEMO: the crew could not work"
		moved.DeferCodes, moved.DeferLiftedBy = j.DeferCodes(), "DEMO: the home is mended"
	}
	if err := phone.Put(j.JobID, &moved); err != nil {
		return err
	}
	switch {
	case j.Begun():
		j.stand = finished // nothing more is done about it
	case j.stand == returned:
		j.stand, j.wasFixed, j.reviewOn = sentIn, true, day+1
	default:
		j.stand, j.reviewOn = sentIn, max(j.reviewOn, day+1)
	}
	return nil
}

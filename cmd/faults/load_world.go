//go:build linux

package main

import (
	"bytes"
	"context"
	crand "crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"regexp"
	"strings"
	"syscall"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/people"
)

// phone is one of the load's, of a contractor of its own.
type phone struct {
	credential, office string            // header fields
	known              map[string]string // ids of the invented job's people in place of the example's
	job                string            // the last that was taken in
	pushes             int
}

// ownCPU is what this process has used, in seconds.
func ownCPU() float64 {
	var u syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u) // cannot fail for itself
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// found makes programs with the invented rules in force, phones that each have a
// contractor with crew and instrument, and a first whole job of each.
func (l *load) found(ctx context.Context) error {
	text, err := l.ductledger(ctx, "example", "batch")
	if err != nil {
		return err
	}
	if l.body, err = newTemplate(text); err != nil {
		return err
	}
	db, err := storage.Open(ctx, l.postgres.address, storage.Options{Now: time.Now, Connections: 2})
	if err != nil {
		return err
	}
	defer db.Close()
	for n := range l.Programs {
		p := &program{code: fmt.Sprintf("LOAD%d", n)}
		if _, err := l.ductledger(ctx, "program", "create", "--code", p.code, "--name", p.code+" County", "--time-zone", timeZone); err != nil {
			return err
		}
		if p.token, err = l.token(ctx, p, "--role", "admin", "--name", "Ada Invented"); err != nil {
			return err
		}
		if err := l.foundProgram(ctx, db, p); err != nil {
			return fmt.Errorf("program %s: %w", p.code, err)
		}
	}
	return nil
}

func (l *load) foundProgram(ctx context.Context, db *storage.DB, p *program) error {
	id := storage.ProgramID(p.code)
	set := &domain.RuleSet{Name: "Invented rules", FromOn: domain.DateOf(time.Now().AddDate(0, 0, -98), time.UTC), Rules: []domain.RuleSetting{}, MethodsAsked: []domain.Method{domain.FanTotal}}
	items := []any{map[string]any{"kind": domain.RuleSetKind, "id": l.id(), "record": set}}
	var tokens []func() error // made once the records are there
	for range l.Phones {
		x := &phone{known: map[string]string{}, office: "Authorization: Bearer " + p.token}
		var contractor domain.UUID
		for _, item := range rules.ExampleEvaluation().Items {
			switch item.Kind {
			case domain.ContractorKind, domain.CrewMemberKind, domain.CredentialKind, domain.InstrumentKind:
				own := l.id()
				if item.Kind == domain.ContractorKind {
					contractor = own
				}
				x.known[item.ID.String()] = own.String()
				record, err := json.Marshal(item.Record)
				if err != nil {
					return err
				}
				for was, is := range x.known {
					record = bytes.ReplaceAll(record, []byte(was), []byte(is))
				}
				items = append(items, map[string]any{"kind": item.Kind, "id": own, "record": json.RawMessage(record)})
			}
		}
		device := l.id()
		items = append(items, map[string]any{"kind": domain.DeviceKind, "id": device, "record": &domain.Device{ContractorID: &contractor, Name: "Invented phone", State: domain.DeviceActive}})
		text, digest, err := frame.NewToken(id, crand.Reader)
		if err != nil {
			return err
		}
		x.credential = "Authorization: Bearer " + text
		l.phones = append(l.phones, x)
		tokens = append(tokens, func() error {
			_, err := db.CreateToken(ctx, id, digest, storage.Token{Role: domain.Field, ContractorID: contractor, DeviceID: device})
			return err
		})
	}
	body, err := json.Marshal(map[string]any{"items": items})
	if err != nil {
		return err
	}
	if answer, err := l.ask(p, http.MethodPost, "/v1/batches", body); err != nil || bytes.Contains(answer, []byte(`"problem"`)) {
		return fmt.Errorf("%s: %w", answer, err)
	}
	for _, make := range tokens {
		if err := make(); err != nil {
			return err
		}
	}
	return l.signIn(ctx, db, id)
}

// signIn lets the admin in on the pages.
func (l *load) signIn(ctx context.Context, db *storage.DB, program domain.UUID) error {
	office := domain.Caller{Program: program, Role: domain.Admin}
	list, err := people.List(ctx, db, office, "", 1)
	if err != nil {
		return err
	}
	_, link, err := frame.NewSecret(frame.LinkPrefix, program, crand.Reader)
	if err != nil {
		return err
	}
	text, session, err := frame.NewSecret(frame.SessionPrefix, program, crand.Reader)
	if err != nil {
		return err
	}
	if _, err := people.Link(ctx, db, office, list[0].ID, people.ChoosePassword, link, people.SetupTime); err != nil {
		return err
	}
	l.sessions = append(l.sessions, "Cookie: ductledger="+text)
	return people.Enter(ctx, db, program, link, strings.ToLower(crand.Text()[:20]), session, nil)
}

// id is a new id of version 7, by the seed.
func (l *load) id() domain.UUID { return newID(l.r) }

// A template is the invented job as one text, with the places that differ from
// job to job.
type template struct {
	text   []byte
	places []place
	job    string // its id in the text
	day    time.Time
}

// place is one part of the text, as long as what replaces it.
type place struct {
	at  int
	was string
}

var placePattern = regexp.MustCompile(`[0-9a-f]{64}|[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}|20[0-9]{2}-[0-9]{2}-[0-9]{2}`)

func newTemplate(batch string) (t template, err error) {
	var compact bytes.Buffer
	if err := json.Compact(&compact, []byte(batch)); err != nil {
		return t, err
	}
	var content struct {
		Items []struct {
			Kind   domain.Kind
			ID     string
			Record struct {
				VisitedOn string `json:"visited_on"`
			}
		}
	}
	if err := json.Unmarshal(compact.Bytes(), &content); err != nil {
		return t, err
	}
	for _, item := range content.Items {
		switch item.Kind {
		case domain.JobKind:
			t.job = item.ID
		case domain.VisitKind:
			if t.day, err = time.Parse(time.DateOnly, item.Record.VisitedOn); err != nil {
				return t, err
			}
		}
	}
	t.text = compact.Bytes()
	for _, found := range placePattern.FindAllIndex(t.text, -1) {
		t.places = append(t.places, place{found[0], string(t.text[found[0]:found[1]])})
	}
	return t, nil
}

// daysBack is how many days jobs lie back, at most: rules were in force.
const daysBack = 80

// fill is a job of a phone, with ids and pictures of its own, on the next of its days.
func (t *template) fill(r *rand.Rand, p *phone) (text []byte, job string) {
	text = bytes.Clone(t.text)
	back := p.pushes % daysBack
	p.pushes++
	fresh := map[string]string{}
	for _, x := range t.places {
		is, known := p.known[x.was]
		if !known {
			is, known = fresh[x.was]
		}
		if !known {
			switch len(x.was) {
			case len(time.DateOnly):
				day, err := time.Parse(time.DateOnly, x.was)
				if is = x.was; err == nil && !day.After(t.day) {
					is = day.AddDate(0, 0, -back).Format(time.DateOnly)
				}
			case 64:
				a, b := newID(r), newID(r)
				is = hex.EncodeToString(append(a[:], b[:]...))
			default:
				is = newID(r).String()
			}
			fresh[x.was] = is
		}
		copy(text[x.at:], is)
	}
	return text, fresh[t.job]
}

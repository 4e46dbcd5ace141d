//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// foundPrograms makes the two agencies, while all is well.
func (t *trial) foundPrograms(ctx context.Context) error {
	for i, code := range []string{"NORTH", "SOUTH"} {
		p := &program{code: code, parts: map[domain.UUID][]part{}}
		t.programs = append(t.programs, p)
		if _, err := t.ductledger(ctx, "program", "create", "--code", code, "--name", code+" County", "--time-zone", timeZone); err != nil {
			return err
		}
		var err error
		if p.token, err = t.token(ctx, p, "--role", "admin", "--name", "Ada Invented"); err != nil {
			return err
		}
		part := uint64(10_000 * (i + 1))
		office, err := t.newApp(p, "office", p.token, domain.UUID{}, part)
		if err != nil {
			return err
		}
		office.office = true
		p.apps = append(p.apps, office)
		if err := t.foundOffice(ctx, p, office); err != nil {
			return err
		}
		for n := range t.Phones {
			part += 10
			if err := t.addPhone(ctx, p, n, part); err != nil {
				return err
			}
		}
	}
	return nil
}

// foundOffice has rules that find nothing, so that what is accepted is not what is
// tried, two contractors, and jobs for them.
func (t *trial) foundOffice(ctx context.Context, p *program, office *app) error {
	set, off := &domain.RuleSet{Name: "Invented rules", FromOn: domain.DateOf(time.Now().AddDate(0, 0, -30), time.UTC)}, true
	for _, key := range rules.Keys() {
		set.Rules = append(set.Rules, domain.RuleSetting{Rule: key, Off: &off})
	}
	office.put(office.id(), set)
	for i := range 2 {
		c := contractor{office.id(), office.id()}
		p.contractors = append(p.contractors, c)
		office.put(c.id, &domain.Contractor{Name: fmt.Sprintf("Invented Sealing %d", i)})
		office.put(c.instrument, &domain.Instrument{ContractorID: &c.id, Instrument: domain.DuctFan, Serial: "F-1", CalibratedOn: "2020-01-01", CalibratedUntilOn: "2040-12-31"})
		for range 3 {
			office.assign(c.id)
		}
	}
	return office.Sync(ctx)
}

// addPhone makes a phone of one of the contractors.
func (t *trial) addPhone(ctx context.Context, p *program, n int, part uint64) error {
	c, office := p.contractors[n%len(p.contractors)], p.apps[0]
	id := office.id()
	office.put(id, &domain.Device{ContractorID: &c.id, Name: fmt.Sprintf("Invented phone %d", n), State: domain.DeviceActive})
	if err := office.Sync(ctx); err != nil {
		return err
	}
	token, err := t.token(ctx, p, "--role", "field", "--contractor", c.id.String(), "--device", id.String())
	if err != nil {
		return err
	}
	a, err := t.newApp(p, fmt.Sprintf("phone%d", n), token, id, part)
	if err != nil {
		return err
	}
	a.contractor, a.instrument = c.id, c.instrument
	p.apps = append(p.apps, a)
	return a.Sync(ctx)
}

func (t *trial) token(ctx context.Context, p *program, args ...string) (string, error) {
	text, err := t.ductledger(ctx, append([]string{"token", "create", "--program", p.code}, args...)...)
	return strings.TrimSpace(text), err
}

// answerTime is how long an answer is waited for, also of a service that is
// stopped meanwhile.
const answerTime = 30 * time.Second

var direct = http.Client{Timeout: answerTime}

// get reads an address as the office, past every proxy's trouble.
func (t *trial) get(p *program, path string) ([]byte, error) {
	return t.ask(p, http.MethodGet, path, nil)
}

// ask sends one request as the office to the first service.
func (t *trial) ask(p *program, method, path string, body []byte) ([]byte, error) {
	request, err := http.NewRequest(method, "http://"+t.services[0].link.Address()+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	request.Header.Set("Authorization", "Bearer "+p.token)
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	response, err := direct.Do(request)
	if err != nil {
		return nil, err
	}
	defer func() { _ = response.Body.Close() }()
	text, err := io.ReadAll(response.Body)
	if err == nil && response.StatusCode >= http.StatusMultipleChoices {
		err = fmt.Errorf("%s %s: %d %s", method, path, response.StatusCode, text)
	}
	return text, err
}

// getInto reads an address of a program as JSON.
func (t *trial) getInto(p *program) func(path string, into any) error {
	return func(path string, into any) error {
		text, err := t.get(p, path)
		if err != nil {
			return err
		}
		return json.Unmarshal(text, into)
	}
}

// timeZone is the programs'.
const timeZone = "America/Los_Angeles"

// thisMonth is the month in which the trial runs, as the programs count: on the
// first of a month it is still the one before for some hours.
func thisMonth() string {
	zone, err := time.LoadLocation(timeZone)
	if err != nil {
		panic(err) // Go brings the zones with it
	}
	return time.Now().In(zone).Format("2006-01")
}

// askPackage asks for the month's package, which is then built while services
// are killed. That it is refused, or nobody answers, is no failure.
func (t *trial) askPackage(p *program) {
	t.counts.packages.Add(1)
	_, _ = t.ask(p, http.MethodPost, "/v1/months/"+thisMonth()+"/packages", []byte(`{}`))
}

package main

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"time"

	"ductledger/api"
	"ductledger/api/calculations"
	"ductledger/api/frame"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
)

type exampleCommand struct {
	What string `arg:"" help:"A kind of record, such as job or energy_isolation; batch; evaluation; or a calculation, such as fan_test."`
	Job  string `from:"-" placeholder:"ID" help:"With batch: the id that the job gets; without, a new one."`
}

func (exampleCommand) Help() string {
	return "A record of a kind is as PUT takes it. Its ids are those that every demo makes, so that it can be tried there under a new id. batch is a whole job as a phone sends it in the evening, under new ids each time, a body for POST /v1/batches. evaluation is the same job with its crew and instrument, for POST /v1/evaluations. A calculation's is a body for POST /v1/calculations.\n\nExample:\n  ductledger example batch | curl -sS -H \"Authorization: Bearer $DUCTLEDGER_FIELD_TOKEN\" -H 'Content-Type: application/json' --data-binary @- \"$DUCTLEDGER_URL/v1/batches?findings=true\""
}

func (c *exampleCommand) Run(in *invocation) error {
	text, err := c.text(in)
	if err != nil {
		return err
	}
	if err := text.Indent(); err != nil {
		return err
	}
	_, err = fmt.Fprintln(in.stdout, text)
	return err
}

func (c *exampleCommand) text(in *invocation) (jsontext.Value, error) {
	what := strings.ReplaceAll(c.What, "-", "_")
	kind := domain.Kind(what)
	if c.Job != "" && what != "batch" {
		return nil, &exitError{exitRefused, fmt.Errorf("--job goes with batch; %s has no job of its own", c.What)}
	}
	if what == "batch" {
		return c.batch(in)
	}
	if what == "evaluation" {
		text, err := json.Marshal(rules.ExampleEvaluation())
		return text, err
	}
	bodies, names := calculationBodies()
	if body, known := bodies[what]; known {
		return body.Clone(), nil
	}
	if _, known := domain.RowOf(kind); !known {
		words := kindNames()
		return nil, &exitError{exitRefused, fmt.Errorf("there is no example of %q; there are batch, evaluation, the kinds %s, and the calculations %s",
			c.What, strings.Join(words, ", "), strings.Join(names, ", "))}
	}
	text, err := api.Example(kind)
	if err != nil || kind != domain.RuleSetKind {
		return text, err
	}
	// A rule set begins on a later day than it is recorded, so that the day of
	// the contract's example does not do for ever.
	var set domain.RuleSet
	if err := json.Unmarshal(text, &set); err != nil {
		return nil, err
	}
	set.FromOn = domain.Date(fmt.Sprintf("%d-01-01", in.now().UTC().Year()+2))
	changed, err := json.Marshal(set)
	return changed, err
}

func kindNames() []string {
	words := make([]string, 0, len(domain.Kinds))
	for _, row := range domain.Kinds {
		words = append(words, string(row.Kind))
	}
	return words
}

// exampleNames are all that has an example.
func exampleNames() []string {
	_, calculations := calculationBodies()
	return slices.Concat([]string{"batch", "evaluation"}, kindNames(), calculations)
}

// calculationBodies are the contract's examples of the computations, by the
// last part of their address.
func calculationBodies() (bodies map[string]jsontext.Value, names []string) {
	bodies = map[string]jsontext.Value{}
	docs := calculations.Operations()
	for _, rt := range calculations.Routes(frame.Route{}) {
		name := strings.ReplaceAll(path.Base(rt.Pattern), "-", "_")
		bodies[name], _ = docs[rt.Operation].Example.(jsontext.Value)
		names = append(names, name)
	}
	return bodies, names
}

// batch is the invented job as a phone sends it in the evening: the home, the
// job as it was begun, all that was done there, and the job sent in. Who worked
// and with what is known to every demo; all other ids, and the digests of the
// pictures, are new, so that each is a job of its own. Its day is the last
// Sunday, on which no crew of a demo is anywhere else.
func (c *exampleCommand) batch(in *invocation) (jsontext.Value, error) {
	now := in.now()
	invented := rules.ExampleEvaluation()
	was := invented.Items[len(invented.Items)-1].Record.(*domain.Photo).TakenAt
	day := now.In(was.Location()).AddDate(0, 0, -1)
	for day.Weekday() != time.Sunday {
		day = day.AddDate(0, 0, -1)
	}
	permission := day.AddDate(0, 0, -14) // the owner agreed two weeks before
	replace := []string{was.Format(time.DateOnly), day.Format(time.DateOnly), "2026-09-30", permission.Format(time.DateOnly)}
	b := wire.Batch{SentAt: &now, Client: &wire.Client{Name: "ductledger example", Version: "1", Schema: 1}}
	var job domain.Job
	var at int // of the job
	for _, item := range invented.Items {
		switch r := item.Record.(type) {
		case *domain.Contractor, *domain.CrewMember, *domain.Credential, *domain.Instrument:
			continue
		case *domain.Job:
			job, at = *r, len(b.Items)
			job.FundSource = "" // the office names it
			begun := job
			begun.State, begun.Outcome = domain.InWork, ""
			item.Record = &begun
		case *domain.Photo:
			fresh := sha256.Sum256([]byte(rand.Text()))
			replace = append(replace, r.SHA256, hex.EncodeToString(fresh[:]))
		}
		id, err := uuid.NewV7()
		if err != nil {
			return nil, err
		}
		text := id.String()
		if item.Kind == domain.JobKind && c.Job != "" {
			if _, err := domain.ParseUUID(c.Job); err != nil {
				return nil, &exitError{exitRefused, fmt.Errorf("--job %s is no id: ductledger id prints one", c.Job)}
			}
			text = c.Job
		}
		replace = append(replace, item.ID.String(), text)
		if err := addItem(&b, item.ID, 0, item.Record); err != nil {
			return nil, err
		}
	}
	if err := addItem(&b, b.Items[at].ID, 1, &job); err != nil {
		return nil, err
	}
	text, err := json.Marshal(b)
	if err != nil {
		return nil, err
	}
	return jsontext.Value(strings.NewReplacer(replace...).Replace(string(text))), nil
}

func addItem(b *wire.Batch, id domain.UUID, base int64, record domain.Record) error {
	body, err := json.Marshal(record)
	b.Items = append(b.Items, wire.Item{Kind: record.Kind(), ID: id, BaseVersion: base, Record: strict.Record{Raw: body}})
	return err
}

type idCommand struct{}

func (idCommand) Help() string {
	return "Whoever creates a record makes its id, before the first send.\n\nExample:\n  id=$(ductledger id)"
}

func (idCommand) Run(in *invocation) error {
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	return in.answer(map[string]any{"id": id.String()}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, id)
		return err
	})
}

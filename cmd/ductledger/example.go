package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"ductledger/api"
	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
)

type exampleCommand struct {
	Kind string `arg:"" help:"A kind of record, such as job or energy_isolation, or: evaluation."`
}

func (exampleCommand) Help() string {
	return "A record of a kind is as PUT takes it, and its ids are those that every demo makes, so that it can be tried there under a new id. evaluation is an invented job that breaks exactly three rules, a body for POST /v1/evaluations.\n\nExample:\n  ductledger example job | curl -sS -X PUT -H \"Authorization: Bearer $DUCTLEDGER_FIELD_TOKEN\" -H 'Content-Type: application/json' --data-binary @- $DUCTLEDGER_URL/v1/jobs/$(ductledger id)"
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
	kind := domain.Kind(strings.ReplaceAll(c.Kind, "-", "_"))
	if kind == "evaluation" {
		text, err := json.Marshal(rules.ExampleEvaluation())
		return text, err
	}
	if _, known := domain.RowOf(kind); !known {
		words := make([]string, 0, len(domain.Kinds)+1)
		for _, row := range domain.Kinds {
			words = append(words, string(row.Kind))
		}
		return nil, &exitError{exitRefused, fmt.Errorf("there is no kind %q; there are %s and evaluation", c.Kind, strings.Join(words, ", "))}
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

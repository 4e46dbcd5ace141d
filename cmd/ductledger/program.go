package main

import (
	"fmt"
	"io"
	"regexp"
	"text/tabwriter"
	"time"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/google/uuid"
)

type programCommands struct {
	Create programCreateCommand `cmd:"" help:"Make a program with a first rule set of defaults."`
	List   programListCommand   `cmd:"" help:"List the programs."`
}

type programCreateCommand struct {
	databaseSettings
	Code     string `from:"-" required:"" help:"Short name, such as NORTH: capitals, digits and dashes."`
	Name     string `from:"-" required:"" help:"Name for people."`
	TimeZone string `from:"-" required:"" help:"IANA zone in which its days and months begin."`
}

func (programCreateCommand) Help() string {
	return "The first rule set has the default rules and is in force from the beginning; a later one is a rule_set record.\n\nExample:\n  ductledger program create --code NORTH --name \"North County\" --time-zone America/Los_Angeles"
}

// programCode is what may stand in file names and addresses.
const programCode = `^[A-Z][A-Z0-9_]{1,15}$`

// firstRuleSetFrom is before any work that can be recorded.
const firstRuleSetFrom = "2000-01-01"

func (c *programCreateCommand) Run(in *invocation) error {
	if ok, err := regexp.MatchString(programCode, c.Code); err != nil || !ok {
		return &exitError{exitRefused, fmt.Errorf("--code %q: 2 to 16 capitals, digits and underscores are expected, a capital first", c.Code)}
	}
	db, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	set, epoch, err := twoIDs()
	if err != nil {
		return err
	}
	p := storage.Program{ID: storage.ProgramID(c.Code), Code: c.Code, Name: c.Name, TimeZone: c.TimeZone}
	if err := db.CreateProgram(in.ctx, p, set, epoch, &domain.RuleSet{Name: "First rules", FromOn: firstRuleSetFrom, MethodsAsked: []domain.Method{domain.FanTotal}}); err != nil {
		return err
	}
	return in.answer(programShown(p), func(w io.Writer) error {
		_, err := fmt.Fprintf(w, "program %s made; next: ductledger token create --program %s --role admin --name \"…\"\n", c.Code, c.Code)
		return err
	})
}

func twoIDs() (a, b domain.UUID, err error) {
	first, err := uuid.NewV7()
	if err != nil {
		return a, b, err
	}
	second, err := uuid.NewV7()
	return domain.UUID(first), domain.UUID(second), err
}

type programListCommand struct{ databaseSettings }

func (programListCommand) Help() string { return "Example:\n  ductledger program list" }

func (c *programListCommand) Run(in *invocation) error {
	db, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	list, err := db.Programs(in.ctx)
	if err != nil {
		return err
	}
	shown := []shownProgram{}
	for _, p := range list {
		shown = append(shown, programShown(p))
	}
	return in.answer(map[string]any{"items": shown}, func(w io.Writer) error {
		table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "CODE\tNAME\tTIME ZONE\tMADE")
		for _, p := range list {
			name := p.Name
			if p.Demo {
				name += " (DEMO)"
			}
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\n", p.Code, name, p.TimeZone, p.CreatedAt.Format(time.DateOnly))
		}
		return table.Flush()
	})
}

// shownProgram is a program as --json prints it.
type shownProgram struct {
	ID        domain.UUID `json:"id"`
	Code      string      `json:"code"`
	Name      string      `json:"name"`
	TimeZone  string      `json:"time_zone"`
	Demo      bool        `json:"demo"`
	CreatedAt *time.Time  `json:"created_at,omitzero"`
}

func programShown(p storage.Program) shownProgram {
	shown := shownProgram{ID: p.ID, Code: p.Code, Name: p.Name, TimeZone: p.TimeZone, Demo: p.Demo}
	if !p.CreatedAt.IsZero() {
		shown.CreatedAt = &p.CreatedAt
	}
	return shown
}

package main

import (
	"crypto/rand"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
)

type tokenCommands struct {
	Create tokenCreateCommand `cmd:"" help:"Make a token; it is shown once."`
	List   tokenListCommand   `cmd:"" help:"List a program's tokens, without their text."`
	Revoke tokenRevokeCommand `cmd:"" help:"End a token for the very next request."`
}

type tokenCreateCommand struct {
	databaseSettings
	Program    string      `from:"-" required:"" help:"Code of the program."`
	Role       domain.Role `from:"-" required:"" enum:"field,contractor,inspector,staff,funder,admin" help:"One of ${enum}."`
	Name       string      `from:"-" help:"The person who holds it, who is made where there is none of that name; without, it may neither review nor release."`
	Contractor string      `from:"-" placeholder:"ID" help:"The contractor, for the roles field and contractor."`
	Device     string      `from:"-" placeholder:"ID" help:"The device, for the role field."`
	Fund       string      `from:"-" placeholder:"FUND" help:"The fund whose packages alone it reads, for the role funder; without, all."`
}

func (tokenCreateCommand) Help() string {
	return "Example:\n  ductledger token create --program NORTH --role staff --name \"Ada Invented\""
}

func (c *tokenCreateCommand) Run(in *invocation) error {
	t := storage.Token{Role: c.Role, Name: c.Name, Fund: c.Fund}
	for _, part := range []struct {
		flag, text string
		into       *domain.UUID
	}{{"--contractor", c.Contractor, &t.ContractorID}, {"--device", c.Device, &t.DeviceID}} {
		if part.text == "" {
			continue
		}
		id, err := domain.ParseUUID(part.text)
		if err != nil {
			return &exitError{exitRefused, fmt.Errorf("%s: %w", part.flag, err)}
		}
		*part.into = id
	}
	bound := slices.Contains([]domain.Role{domain.Field, domain.ContractorRole}, c.Role)
	if bound == t.ContractorID.IsZero() {
		return &exitError{exitRefused, fmt.Errorf("--contractor is needed for the roles field and contractor, and for no other")}
	}
	if c.Fund != "" && c.Role != domain.Funder {
		return &exitError{exitRefused, fmt.Errorf("--fund is for the role funder")}
	}
	db, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	program := storage.ProgramID(c.Program)
	if _, err := db.Program(in.ctx, program); err != nil {
		return fmt.Errorf("program %s: %w", c.Program, err)
	}
	if c.Fund != "" {
		set, _, err := db.RulesOn(in.ctx, operator(program), domain.DateOf(in.now(), time.UTC))
		if err != nil {
			return err
		}
		if !slices.Contains(set.Funds, c.Fund) {
			return &exitError{exitRefused, fmt.Errorf("--fund %s: program %s has no such fund; it has %v", c.Fund, c.Program, set.Funds)}
		}
	}
	for _, bound := range []struct {
		flag string
		kind domain.Kind
		id   domain.UUID
	}{{"--contractor", domain.ContractorKind, t.ContractorID}, {"--device", domain.DeviceKind, t.DeviceID}} {
		if bound.id.IsZero() {
			continue
		}
		if _, err := db.Record(in.ctx, operator(program), bound.kind, bound.id); domain.CodeOf(err) == domain.NotFound {
			return &exitError{exitRefused, fmt.Errorf("%s %s: program %s has no such %s; a device is a record that staff make first", bound.flag, bound.id, c.Program, bound.kind)}
		} else if err != nil {
			return err
		}
	}
	text, err := makeToken(in, db, program, t)
	if err != nil {
		return err
	}
	fmt.Fprintln(in.stderr, "This is the only time that the token is shown.")
	return in.answer(map[string]any{"token": text, "role": t.Role}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, text)
		return err
	})
}

// makeToken stores a new token by its digest and gives its text.
func makeToken(in *invocation, db *storage.DB, program domain.UUID, t storage.Token) (string, error) {
	text, digest, err := frame.NewToken(program, rand.Reader)
	if err != nil {
		return "", err
	}
	_, err = db.CreateToken(in.ctx, program, digest, t)
	return text, err
}

type tokenListCommand struct {
	databaseSettings
	Program string `from:"-" required:"" help:"Code of the program."`
}

func (tokenListCommand) Help() string { return "Example:\n  ductledger token list --program NORTH" }

func (c *tokenListCommand) Run(in *invocation) error {
	db, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	list, err := db.Tokens(in.ctx, storage.ProgramID(c.Program))
	if err != nil {
		return err
	}
	shown := []shownToken{}
	for _, t := range list {
		shown = append(shown, shownToken{t.ID, t.Role, t.PersonID, t.Name, t.ContractorID, t.DeviceID, t.Fund, t.CreatedAt, t.RevokedAt})
	}
	return in.answer(map[string]any{"items": shown}, func(w io.Writer) error {
		table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "ID\tROLE\tNAME\tCONTRACTOR\tMADE\tREVOKED")
		for _, t := range list {
			contractor, revoked := "", ""
			if !t.ContractorID.IsZero() {
				contractor = t.ContractorID.String()
			}
			if t.RevokedAt != nil {
				revoked = t.RevokedAt.Format(time.DateOnly)
			}
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\n", t.ID, t.Role, t.Name, contractor, t.CreatedAt.Format(time.DateOnly), revoked)
		}
		return table.Flush()
	})
}

// shownToken is a token as --json prints it, without its text.
type shownToken struct {
	ID           domain.UUID `json:"id"`
	Role         domain.Role `json:"role"`
	PersonID     domain.UUID `json:"person_id,omitzero"`
	Name         string      `json:"name,omitzero"`
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
	DeviceID     domain.UUID `json:"device_id,omitzero"`
	FundSource   string      `json:"fund_source,omitzero"`
	CreatedAt    time.Time   `json:"created_at"`
	RevokedAt    *time.Time  `json:"revoked_at,omitzero"`
}

type tokenRevokeCommand struct {
	databaseSettings
	Program string `from:"-" required:"" help:"Code of the program."`
	ID      string `arg:"" name:"id" help:"The token's id, as token list shows it."`
}

func (tokenRevokeCommand) Help() string {
	return "Example:\n  ductledger token revoke --program NORTH 0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d99"
}

func (c *tokenRevokeCommand) Run(in *invocation) error {
	id, err := domain.ParseUUID(c.ID)
	if err != nil {
		return &exitError{exitRefused, err}
	}
	db, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.RevokeToken(in.ctx, operator(storage.ProgramID(c.Program)), id); err != nil {
		return err
	}
	return in.answer(map[string]any{"id": id, "revoked": true}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, "revoked: its next request is refused")
		return err
	})
}

package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"ductledger/api/frame"
	apipeople "ductledger/api/people"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/people"
)

type personCommands struct {
	Invite personInviteCommand `cmd:"" help:"Make a person, or find the one of that name, and print a link by which they choose their password."`
	List   personListCommand   `cmd:"" help:"List a program's people."`
	End    personEndCommand    `cmd:"" help:"Let a person in no more."`
	Phone  personPhoneCommand  `cmd:"" help:"Print a code by which a phone gets its token."`
}

// publicSettings say where the pages are reached.
type publicSettings struct {
	PublicURL string `placeholder:"URL" help:"Where people reach the service, such as https://ducts.example.org: what links for them begin with."`
}

func (s publicSettings) link(path string) string {
	if s.PublicURL == "" {
		return "http://127.0.0.1:8080" + path
	}
	return strings.TrimSuffix(s.PublicURL, "/") + path
}

type personInviteCommand struct {
	databaseSettings
	publicSettings
	Program    string      `from:"-" required:"" help:"Code of the program."`
	Role       domain.Role `from:"-" default:"admin" enum:"contractor,inspector,staff,funder,admin" help:"One of ${enum}, of a new person."`
	Name       string      `from:"-" required:"" help:"The person, as the office knows them."`
	Contractor string      `from:"-" placeholder:"ID" help:"The contractor, for the role contractor."`
}

func (personInviteCommand) Help() string {
	return "The first admin begins so; all others are invited by an admin, on the pages. The link works once, within half an hour. For a person who is there already it is the link for a lost password.\n\nExample:\n  ductledger person invite --program NORTH --name \"Ada Invented\""
}

func (c *personInviteCommand) Run(in *invocation) error {
	var contractor domain.UUID
	if c.Contractor != "" {
		id, err := domain.ParseUUID(c.Contractor)
		if err != nil {
			return &exitError{exitRefused, fmt.Errorf("--contractor: %w", err)}
		}
		contractor = id
	}
	db, program, err := c.openProgram(in, c.Program)
	if err != nil {
		return err
	}
	defer db.Close()
	p, err := personOf(in, db, program, c.Name)
	if domain.CodeOf(err) == domain.NotFound {
		p, err = people.Add(in.ctx, db, operator(program), c.Name, c.Role, contractor)
	}
	if err != nil {
		return plainly(err)
	}
	text, lapses, err := linkFor(in, db, program, p.ID, people.ChoosePassword, people.SetupTime)
	if err != nil {
		return plainly(err)
	}
	link := c.link(text)
	fmt.Fprintf(in.stderr, "%s (%s) opens this link within half an hour, once:\n", p.Name, p.Role)
	return in.answer(map[string]any{"person_id": p.ID, "name": p.Name, "role": p.Role, "link": link, "lapses_at": lapses}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, link)
		return err
	})
}

// openProgram opens the database and finds a program in it by its code.
func (s *databaseSettings) openProgram(in *invocation, code string) (*storage.DB, domain.UUID, error) {
	program := storage.ProgramID(code)
	db, err := s.open(in, storage.Options{Connections: 1})
	if err != nil {
		return nil, program, err
	}
	if _, err := db.Program(in.ctx, program); err != nil {
		db.Close()
		return nil, program, fmt.Errorf("program %s: %w", code, plainly(err))
	}
	return db, program, nil
}

// personOf finds the person of a name.
func personOf(in *invocation, db *storage.DB, program domain.UUID, name string) (people.Person, error) {
	const page = 500
	for after := ""; ; {
		list, err := people.List(in.ctx, db, operator(program), after, page)
		if err != nil {
			return people.Person{}, err
		}
		for i := range list {
			if storage.NameKey(list[i].Name) == storage.NameKey(name) {
				return list[i], nil
			}
		}
		if len(list) < page {
			return people.Person{}, domain.Errorf(domain.NotFound, "there is no person named %s", name)
		}
		after = list[len(list)-1].Name
	}
}

// linkFor stores a link for one use and gives its path.
func linkFor(in *invocation, db *storage.DB, program, person domain.UUID, purpose people.Purpose, good time.Duration) (path string, lapses time.Time, err error) {
	text, digest, err := frame.NewSecret(frame.LinkPrefix, program, rand.Reader)
	if err != nil {
		return "", lapses, err
	}
	lapses, err = people.Link(in.ctx, db, operator(program), person, purpose, digest, good)
	return "/staff/join/" + text, lapses, err
}

// plainly is what is wrong, in one line for whoever typed the command.
func plainly(err error) error {
	var told *domain.Error
	if !errors.As(err, &told) {
		return err
	}
	lines := []string{told.Detail}
	for _, f := range told.Faults {
		lines = append(lines, strings.TrimPrefix(f.Pointer, "/")+": "+f.Detail)
	}
	return errors.New(strings.Join(lines, "; "))
}

type personListCommand struct {
	databaseSettings
	Program string `from:"-" required:"" help:"Code of the program."`
}

func (personListCommand) Help() string { return "Example:\n  ductledger person list --program NORTH" }

func (c *personListCommand) Run(in *invocation) error {
	db, program, err := c.openProgram(in, c.Program)
	if err != nil {
		return err
	}
	defer db.Close()
	const page = 500
	var all []people.Person
	for after := ""; ; {
		list, err := people.List(in.ctx, db, operator(program), after, page)
		if err != nil {
			return err
		}
		if all = append(all, list...); len(list) < page {
			break
		}
		after = list[len(list)-1].Name
	}
	type shownPerson struct {
		ID       domain.UUID  `json:"person_id"`
		Name     string       `json:"name"`
		Role     domain.Role  `json:"role"`
		State    people.State `json:"state"`
		Tokens   int64        `json:"tokens_count"`
		Sessions int64        `json:"sessions_count"`
	}
	shown := []shownPerson{}
	for _, p := range all {
		shown = append(shown, shownPerson{p.ID, p.Name, p.Role, p.State, p.Tokens, p.Sessions})
	}
	return in.answer(map[string]any{"items": shown}, func(w io.Writer) error {
		table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "ID\tNAME\tROLE\tSTATE\tTOKENS\tSESSIONS")
		for _, p := range shown {
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%d\t%d\n", p.ID, p.Name, p.Role, p.State, p.Tokens, p.Sessions)
		}
		return table.Flush()
	})
}

type personEndCommand struct {
	databaseSettings
	Program string `from:"-" required:"" help:"Code of the program."`
	Name    string `from:"-" required:"" help:"The person."`
}

func (personEndCommand) Help() string {
	return "Sessions, tokens and links end with the very next request; what the person did keeps their name.\n\nExample:\n  ductledger person end --program NORTH --name \"Ada Invented\""
}

func (c *personEndCommand) Run(in *invocation) error {
	db, program, err := c.openProgram(in, c.Program)
	if err != nil {
		return err
	}
	defer db.Close()
	p, err := personOf(in, db, program, c.Name)
	if err == nil {
		err = people.End(in.ctx, db, operator(program), p.ID)
	}
	if err != nil {
		return plainly(err)
	}
	return in.answer(map[string]any{"person_id": p.ID, "ended": true}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, p.Name+" is let in no more")
		return err
	})
}

type personPhoneCommand struct {
	databaseSettings
	Program string `from:"-" required:"" help:"Code of the program."`
	Device  string `from:"-" required:"" placeholder:"ID" help:"The device's record."`
	Name    string `from:"-" required:"" help:"The person who carries it."`
}

func (personPhoneCommand) Help() string {
	return "The code works once, within a day: the phone's app sends it to POST /v1/enrollments.\n\nExample:\n  ductledger person phone --program NORTH --device 0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d15 --name \"Lee Invented\""
}

func (c *personPhoneCommand) Run(in *invocation) error {
	device, err := domain.ParseUUID(c.Device)
	if err != nil {
		return &exitError{exitRefused, fmt.Errorf("--device: %w", err)}
	}
	db, program, err := c.openProgram(in, c.Program)
	if err != nil {
		return err
	}
	defer db.Close()
	code, digest, err := apipeople.NewCode(c.Program, rand.Reader)
	if err != nil {
		return err
	}
	p, lapses, err := people.Code(in.ctx, db, operator(program), device, c.Name, digest)
	if err != nil {
		return plainly(err)
	}
	return in.answer(map[string]any{"code": code, "lapses_at": lapses, "person_id": p.ID, "device_id": device}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, code)
		return err
	})
}

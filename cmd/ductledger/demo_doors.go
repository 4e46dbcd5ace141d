package main

import (
	"crypto/rand"
	"fmt"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/people"
)

// doors are the pages of a demo, with a link for one use for each role.
type doors struct {
	base, password string
	links          []door
}

type door struct {
	who  string
	link string
}

// doorPeople are who looks at a demo.
var doorPeople = []struct {
	name string
	role domain.Role
}{{"DEMO Admin", domain.Admin}, {"DEMO Staff", domain.Staff}, {"DEMO Owner 1", domain.ContractorRole},
	{"DEMO Inspector", domain.Inspector}, {"DEMO Funder", domain.Funder}}

// openDoors gives the invented people a password of this demo, and each a link
// that signs them in once.
func openDoors(in *invocation, db *storage.DB, program domain.UUID, base string) (d doors, err error) {
	d.base, d.password = base, strings.ToLower(rand.Text()[:20])
	for _, who := range doorPeople {
		p, err := personOf(in, db, program, who.name)
		if err != nil {
			return d, err
		}
		if err := choosePassword(in, db, program, p.ID, d.password); err != nil {
			return d, err
		}
		path, _, err := linkFor(in, db, program, p.ID, people.SignInOnce, 24*time.Hour)
		if err != nil {
			return d, err
		}
		d.links = append(d.links, door{fmt.Sprintf("%s (%s)", p.Name, p.Role), base + path})
	}
	return d, nil
}

// choosePassword does what a person does with an invitation.
func choosePassword(in *invocation, db *storage.DB, program, person domain.UUID, password string) error {
	_, link, err := frame.NewSecret(frame.LinkPrefix, program, rand.Reader)
	if err != nil {
		return err
	}
	_, session, err := frame.NewSecret(frame.SessionPrefix, program, rand.Reader)
	if err != nil {
		return err
	}
	if _, err := people.Link(in.ctx, db, operator(program), person, people.ChoosePassword, link, people.SetupTime); err != nil {
		return err
	}
	if err := people.Enter(in.ctx, db, program, link, password, session, nil); err != nil {
		return err
	}
	caller, err := db.AuthenticateSession(in.ctx, session, program)
	if err != nil {
		return err
	}
	return people.SignOut(in.ctx, db, caller)
}

func (d doors) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Look around, signed in once by each of these:\n")
	for _, l := range d.links {
		fmt.Fprintf(&b, "  %-28s %s\n", l.who, l.link)
	}
	fmt.Fprintf(&b, "Later: %s/staff, program DEMO, one of these names, password %s\n", d.base, d.password)
	return b.String()
}

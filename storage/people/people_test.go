package people_test

import (
	"context"
	"crypto/sha256"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/people"
	"ductledger/storage/storagetest"
)

func TestMain(m *testing.M) { storagetest.Main(m) }

const password = "four unrelated words here"

func digestOf(text string) [32]byte { return sha256.Sum256([]byte(text)) }

// invited adds a person with a link, whose text is the person's name.
func invited(t *testing.T, w *storagetest.World, name string, role domain.Role) people.Person {
	t.Helper()
	ctx := context.Background()
	p, err := people.Add(ctx, w.DB, w.Admin, name, role, domain.UUID{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := people.Link(ctx, w.DB, w.Admin, p.ID, people.ChoosePassword, digestOf("link of "+name), people.InvitationTime); err != nil {
		t.Fatal(err)
	}
	return p
}

func wantCode(t *testing.T, what string, err error, want domain.Code) {
	t.Helper()
	if got := domain.CodeOf(err); err == nil && want != "" || err != nil && got != want {
		t.Errorf("%s: %v, want %q", what, err, want)
	}
}

func TestAPersonIsInvitedSignsInAndIsGone(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	ctx := context.Background()
	p := invited(t, w, "Vera Invented", domain.Admin)
	if got, err := people.Get(ctx, db, w.Admin, p.ID); err != nil || got.State != people.Invited {
		t.Errorf("%+v, %v", got, err)
	}
	// Looking does not use the link up; a weak password does not either.
	link := digestOf("link of Vera Invented")
	for range 2 {
		if got, purpose, err := people.Look(ctx, db, w.Program, link); err != nil || got.ID != p.ID || purpose != people.ChoosePassword {
			t.Fatalf("%+v, %s, %v", got, purpose, err)
		}
	}
	for _, weak := range []string{"", "short", "vera  INVENTED is me", "abababababababababab"} {
		wantCode(t, "the password "+weak, people.Enter(ctx, db, w.Program, link, weak, digestOf("a session"), nil), domain.Invalid)
	}
	first := digestOf("first session")
	wantCode(t, "entering", people.Enter(ctx, db, w.Program, link, password, first, nil), "")
	wantCode(t, "the link again", people.Enter(ctx, db, w.Program, link, password, digestOf("again"), nil), domain.NotFound)
	caller, err := db.AuthenticateSession(ctx, first, w.Program)
	if err != nil || caller.Person != p.ID || caller.Role != domain.Admin || caller.Name != "Vera Invented" {
		t.Fatalf("%+v, %v", caller, err)
	}
	// A session is no token for programs.
	_, err = db.Authenticate(ctx, first, w.Program)
	wantCode(t, "a session as a token", err, domain.Unauthorized)

	second := digestOf("second session")
	wantCode(t, "a wrong password", people.SignIn(ctx, db, w.Program, "Vera Invented", password+".", second, nil), domain.Unauthorized)
	wantCode(t, "a wrong name", people.SignIn(ctx, db, w.Program, "Nobody", password, second, nil), domain.Unauthorized)
	wantCode(t, "somebody without a password", people.SignIn(ctx, db, w.Program, "Sam Invented", password, second, nil), domain.Unauthorized)
	other := storagetest.Program(t, db)
	wantCode(t, "in another program", people.SignIn(ctx, db, other.Program, "Vera Invented", password, second, nil), domain.Unauthorized)
	// Case and spaces do not matter; the session before ends with the next.
	wantCode(t, "signing in", people.SignIn(ctx, db, w.Program, " vera  invented", password, second, &first), "")
	_, err = db.AuthenticateSession(ctx, first, w.Program)
	wantCode(t, "the session before", err, domain.Unauthorized)

	// Used, it goes on to its end; unused, it lapses.
	for at := people.SessionIdle - time.Minute; at < people.SessionMost; at += people.SessionIdle - time.Minute {
		clock.Move(people.SessionIdle - time.Minute)
		if _, err := db.AuthenticateSession(ctx, second, w.Program); err != nil {
			t.Fatalf("after %s: %v", at, err)
		}
	}
	clock.Move(people.SessionIdle - time.Minute)
	_, err = db.AuthenticateSession(ctx, second, w.Program)
	wantCode(t, "after the longest time", err, domain.Unauthorized)
	wantCode(t, "signing in", people.SignIn(ctx, db, w.Program, "Vera Invented", password, digestOf("third"), nil), "")
	clock.Move(people.SessionIdle)
	_, err = db.AuthenticateSession(ctx, digestOf("third"), w.Program)
	wantCode(t, "left alone", err, domain.Unauthorized)

	// A lost password's link ends all sessions, and so does ending the person.
	wantCode(t, "signing in", people.SignIn(ctx, db, w.Program, "Vera Invented", password, digestOf("fourth"), nil), "")
	lost := digestOf("lost")
	if _, err := people.Link(ctx, db, w.Admin, p.ID, people.ChoosePassword, lost, people.LostTime); err != nil {
		t.Fatal(err)
	}
	wantCode(t, "entering anew", people.Enter(ctx, db, w.Program, lost, password+" and more", digestOf("fifth"), nil), "")
	_, err = db.AuthenticateSession(ctx, digestOf("fourth"), w.Program)
	wantCode(t, "a session of the lost password", err, domain.Unauthorized)
	wantCode(t, "the old password", people.SignIn(ctx, db, w.Program, "Vera Invented", password, digestOf("sixth"), nil), domain.Unauthorized)
	wantCode(t, "ending the last admin", people.End(ctx, db, w.Admin, p.ID), domain.StateNotAllowed)
	next := invited(t, w, "Nora Invented", domain.Admin)
	wantCode(t, "entering", people.Enter(ctx, db, w.Program, digestOf("link of Nora Invented"), password, digestOf("Nora's"), nil), "")
	wantCode(t, "ending one of two admins", people.End(ctx, db, w.Admin, p.ID), "")
	_, err = db.AuthenticateSession(ctx, digestOf("fifth"), w.Program)
	wantCode(t, "who has ended", err, domain.Unauthorized)
	wantCode(t, "the last one's role", people.SetRole(ctx, db, w.Admin, next.ID, domain.Staff, domain.UUID{}), domain.StateNotAllowed)
	_, _, err = people.Look(ctx, db, w.Program, digestOf("never made"))
	wantCode(t, "a link that never was", err, domain.NotFound)
}

func TestALinkLapsesAndIsReplaced(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	ctx := context.Background()
	p := invited(t, w, "Vera Invented", domain.Staff)
	if _, err := people.Link(ctx, db, w.Admin, p.ID, people.ChoosePassword, digestOf("newer"), people.LostTime); err != nil {
		t.Fatal(err)
	}
	wantCode(t, "the older link", people.Enter(ctx, db, w.Program, digestOf("link of Vera Invented"), password, digestOf("s"), nil), domain.NotFound)
	clock.Move(people.LostTime)
	wantCode(t, "the newer, too late", people.Enter(ctx, db, w.Program, digestOf("newer"), password, digestOf("s"), nil), domain.NotFound)
	if got, err := people.Get(ctx, db, w.Admin, p.ID); err != nil || got.State != people.Listed {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestANameIsOnePerson(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	ctx := context.Background()
	again := storagetest.Token(t, db, storage.Token{Role: domain.Admin, Name: " sam  INVENTED "}, w.Program)
	if again.Person != w.Staff.Person || again.Person.IsZero() || again.Name != "Sam Invented" {
		t.Errorf("%+v and %+v", again, w.Staff)
	}
	_, err := people.Add(ctx, db, w.Admin, "SAM invented", domain.Staff, domain.UUID{})
	wantCode(t, "the same name", err, domain.Invalid)
	_, err = people.Add(ctx, db, w.Admin, "", "chief", domain.UUID{})
	wantCode(t, "nothing", err, domain.Invalid)
	_, err = people.Add(ctx, db, w.Admin, "Carla Invented", domain.ContractorRole, storagetest.ID())
	wantCode(t, "of a contractor that is not there", err, domain.Invalid)
	// A contractor's person is not the agency's of the same name.
	if _, err := db.CreateToken(ctx, w.Program, digestOf("x"), storage.Token{Role: domain.ContractorRole, Name: "Sam Invented", ContractorID: w.Contractor}); domain.CodeOf(err) != domain.StateNotAllowed {
		t.Errorf("Sam of a contractor: %v", err)
	}
}

func TestAPhoneIsEnrolledOnce(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	ctx := context.Background()
	code := func(text string) people.Person {
		t.Helper()
		p, _, err := people.Code(ctx, db, w.Staff, w.Device, "Lee Invented", digestOf(text))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	p := code("first")
	code("second")
	_, err := people.Enroll(ctx, db, w.Program, digestOf("first"), digestOf("t1"))
	wantCode(t, "a code that was replaced", err, domain.NotFound)
	token, err := people.Enroll(ctx, db, w.Program, digestOf("second"), digestOf("t1"))
	if err != nil || token.Role != domain.Field || token.ContractorID != w.Contractor || token.PersonID != p.ID {
		t.Fatalf("%+v, %v", token, err)
	}
	_, err = people.Enroll(ctx, db, w.Program, digestOf("second"), digestOf("t2"))
	wantCode(t, "a code again", err, domain.NotFound)
	// Each contact renews the token; without one it lapses.
	for range 3 {
		clock.Move(people.PhoneIdle - 4*24*time.Hour)
		caller, err := db.Authenticate(ctx, digestOf("t1"), w.Program)
		if err != nil || caller.Device != w.Device || caller.Person != p.ID {
			t.Fatalf("%+v, %v", caller, err)
		}
	}
	// The next phone of the device ends the one before.
	code("third")
	if _, err := people.Enroll(ctx, db, w.Program, digestOf("third"), digestOf("t3")); err != nil {
		t.Fatal(err)
	}
	_, err = db.Authenticate(ctx, digestOf("t1"), w.Program)
	wantCode(t, "the phone before", err, domain.Unauthorized)
	clock.Move(people.PhoneIdle)
	_, err = db.Authenticate(ctx, digestOf("t3"), w.Program)
	wantCode(t, "a phone in a drawer", err, domain.Unauthorized)
}

func TestWhoDidWhat(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	ctx := context.Background()
	clock.Move(time.Hour)
	job := w.Job(t)
	clock.Move(time.Hour)
	invited(t, w, "Vera Invented", domain.Staff)
	all, err := people.Deeds(ctx, db, w.Staff, people.DeedFilter{}, nil, 500)
	if err != nil || len(all) < 8 {
		t.Fatalf("%d deeds, %v", len(all), err)
	}
	if d := all[0]; d.Action != "link_made" || d.Name != "Ada Invented" || d.PersonID != w.Admin.Person {
		t.Errorf("the newest: %+v", d)
	}
	if d := all[2]; d.Action != "add_job" || d.ID != job || d.JobID != job || d.Name != "Sam Invented" || d.Version != 1 || d.Position == 0 {
		t.Errorf("the job: %+v", d)
	}
	// Pages of any size are the same list.
	var paged []people.Deed
	var after *people.DeedPlace
	for {
		some, err := people.Deeds(ctx, db, w.Staff, people.DeedFilter{}, after, 3)
		if err != nil {
			t.Fatal(err)
		}
		if len(some) == 0 {
			break
		}
		paged = append(paged, some...)
		place := some[len(some)-1].Place()
		after = &place
	}
	if !slices.Equal(all, paged) {
		t.Errorf("%d deeds at once, %d by pages:\n%+v\n%+v", len(all), len(paged), all, paged)
	}
	mine, err := people.Deeds(ctx, db, w.Staff, people.DeedFilter{PersonID: w.Admin.Person}, nil, 500)
	if err != nil || len(mine) != 2 {
		t.Errorf("Ada did %+v, %v", mine, err)
	}
	from := storagetest.Start.Add(30 * time.Minute)
	before := from.Add(time.Hour)
	if hour, err := people.Deeds(ctx, db, w.Staff, people.DeedFilter{From: &from, Before: &before}, nil, 500); err != nil || len(hour) != 1 {
		t.Errorf("in that hour: %+v, %v", hour, err)
	}
}

// [pub] golang.org/x/crypto v0.58.0, argon2/argon2_test.go, testVectors: made by
// the reference's command line from "password" and "somesalt".
func TestThePasswordFormIsTheReferences(t *testing.T) {
	encoded := "$argon2id$v=19$m=64,t=2,p=1$c29tZXNhbHQ$Bo1ismRVk2qm6+YAYLCmWHDb+j3fjUH3"
	for text, want := range map[string]bool{"password": true, "Password": false} {
		if fits, err := people.PasswordFits(context.Background(), &encoded, text); err != nil || fits != want {
			t.Errorf("%s: %v, %v", text, fits, err)
		}
	}
}

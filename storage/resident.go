package storage

import (
	"context"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// Resident is who lives in a home. The one thing that is overwritten and can be erased; it is kept apart from all
// records and stands in no package, log or error.
type Resident struct {
	Name string `json:"name,omitzero" validate:"omitempty,min=1,max=120"`
	// A telephone number as one dials it.
	Phone string `json:"phone,omitzero" validate:"omitempty,min=3,max=40"`
	// Street address.
	Street string `json:"street,omitzero" validate:"omitempty,min=1,max=200"`
}

func residentOf(name, phone, street *string) *Resident {
	if name == nil && phone == nil && street == nil {
		return nil
	}
	text := func(s *string) string {
		if s == nil {
			return ""
		}
		return *s
	}
	return &Resident{text(name), text(phone), text(street)}
}

const residentPutSQL = `
INSERT INTO resident (program_id, home_id, revision, name, phone, street)
VALUES (@program_id, @home_id, 1, @name, @phone, @street)
ON CONFLICT (program_id, home_id) DO UPDATE SET revision = resident.revision + 1,
    name = excluded.name, phone = excluded.phone, street = excluded.street
RETURNING revision`

const homeLockSQL = `
SELECT position FROM entry
WHERE program_id = @program_id AND kind = 'home' AND record_id = @id AND until_position IS NULL FOR NO KEY UPDATE`

// PutResident overwrites who lives in a home; nil erases it. Either makes a new
// version of the home with the same record: otherwise no device would learn of
// it. With validateOnly nothing of it stays.
func (db *DB) PutResident(ctx context.Context, caller domain.Caller, home domain.UUID, who *Resident, validateOnly bool) (seen Seen, err error) {
	action := "resident_changed"
	if who == nil {
		who, action = &Resident{}, "resident_erased"
	}
	err = db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		args := Args{"program_id": t.Program, "home_id": home, "id": home, "name": OrNull(who.Name), "phone": OrNull(who.Phone), "street": OrNull(who.Street)}
		var locked []struct{ Position int64 }
		var revision []struct{ Revision int64 }
		All(t, &locked, homeLockSQL, args)
		stored, err := t.record(caller, domain.HomeKind, home)
		if err != nil {
			return err
		}
		e := stored.Entry
		if len(locked) == 0 || locked[0].Position != e.Position {
			return errOvertaken
		}
		record, err := domain.Decode(e.Kind, e.Body)
		if err != nil {
			return fmt.Errorf("home %s: %w", home, err)
		}
		item := &intake.Item{Kind: e.Kind, ID: e.ID, TokenID: caller.Token, PersonID: caller.Person, ReceivedAt: t.Now.Truncate(time.Microsecond)}
		item.Take(record, e.Body)
		d := intake.Decision{Status: intake.Updated, Version: e.Version + 1, Body: e.Body, Void: e.Void, Item: item}
		All(t, &revision, residentPutSQL, args)
		t.setWords(residentWords, home, slices.Concat(WordsFrom(who.Name), WordsFrom(who.Street), PhoneWords(who.Phone)))
		head, err := t.lockHead()
		if err != nil {
			return err
		}
		d.ResidentRevision = revision[0].Revision
		accepted := []intake.Decision{d}
		t.appendEntries(head, accepted, func(intake.Key) int64 { return e.Position })
		t.writeScopes(nil, accepted)
		seen = Seen{Entry: entryOf(&accepted[0], head), Resident: residentOf(OrNull(who.Name), OrNull(who.Phone), OrNull(who.Street))}
		if err := t.Audit(caller, action, home, ""); err != nil || !validateOnly {
			return err
		}
		t.discard, seen.Entry.Position = true, 0
		return t.Flush()
	})
	return seen, err
}

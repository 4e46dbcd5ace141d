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
	// Who signed the owner's permission; its kind and day stand with the home.
	PermissionBy string `json:"permission_by,omitzero" validate:"omitempty,min=1,max=120"`
	// Who consented to the work; the day stands with the job.
	ConsentBy string `json:"consent_by,omitzero" validate:"omitempty,min=1,max=120"`
}

// residentRow are the columns; all are null where nobody is known.
type residentRow struct {
	Name         *string
	Phone        *string
	Street       *string
	PermissionBy *string
	ConsentBy    *string
}

// residentColumns are read from r, in the order of the fields.
const (
	residentColumns   = `, r.name, r.phone, r.street, r.permission_by, r.consent_by`
	noResidentColumns = `, NULL::text AS name, NULL::text AS phone, NULL::text AS street, NULL::text AS permission_by, NULL::text AS consent_by`
)

func (r *residentRow) resident() *Resident {
	if *r == (residentRow{}) {
		return nil
	}
	text := func(s *string) string {
		if s == nil {
			return ""
		}
		return *s
	}
	return &Resident{text(r.Name), text(r.Phone), text(r.Street), text(r.PermissionBy), text(r.ConsentBy)}
}

const residentPutSQL = `
INSERT INTO resident (program_id, home_id, revision, name, phone, street, permission_by, consent_by)
VALUES (@program_id, @home_id, 1, @name, @phone, @street, @permission_by, @consent_by)
ON CONFLICT (program_id, home_id) DO UPDATE SET revision = resident.revision + 1,
    name = excluded.name, phone = excluded.phone, street = excluded.street,
    permission_by = excluded.permission_by, consent_by = excluded.consent_by
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
		args := Args{"program_id": t.Program, "home_id": home, "id": home, "name": OrNull(who.Name), "phone": OrNull(who.Phone), "street": OrNull(who.Street),
			"permission_by": OrNull(who.PermissionBy), "consent_by": OrNull(who.ConsentBy)}
		var locked []struct{ Position int64 }
		var revision []struct{ Revision int64 }
		All(t, &locked, homeLockSQL, args)
		stored, err := t.Record(caller, domain.HomeKind, home)
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
		t.writeScopes(nil, nil, accepted)
		seen = Seen{Entry: entryOf(&accepted[0], head), Resident: who.known()}
		if err := t.Audit(caller, action, home, ""); err != nil || !validateOnly {
			return err
		}
		t.discard, seen.Entry.Position = true, 0
		return t.Flush()
	})
	return seen, err
}

// known is nil for somebody of whom nothing is known.
func (r *Resident) known() *Resident {
	if *r == (Resident{}) {
		return nil
	}
	return r
}

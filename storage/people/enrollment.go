package people

import (
	"context"
	"time"

	"ductledger/domain"
	"ductledger/storage"
)

// PhoneIdle is how long after its last contact a phone's token lapses; each
// contact renews it. A season of snow is shorter.
const PhoneIdle = 90 * 24 * time.Hour

const deviceThereSQL = `
SELECT contractor_id, state FROM device WHERE program_id = @program_id AND id = @device_id AND NOT void FOR KEY SHARE`

type deviceRow struct {
	ContractorID *[16]byte
	State        string
}

func deviceOf(t *storage.Tx, device domain.UUID) (role domain.Role, contractor domain.UUID, err error) {
	var row *deviceRow
	storage.One(t, &row, deviceThereSQL, storage.Args{"program_id": t.Program, "device_id": device})
	if err := t.Flush(); err != nil {
		return "", contractor, err
	}
	switch {
	case row == nil:
		return "", contractor, domain.Errorf(domain.NotFound, "there is no such device")
	case row.State != string(domain.DeviceActive):
		return "", contractor, domain.Errorf(domain.StateNotAllowed, "the device is %s; only an active one is enrolled", row.State)
	case row.ContractorID == nil:
		return domain.Inspector, contractor, nil // the agency's own
	default:
		return domain.Field, *row.ContractorID, nil
	}
}

// Code stores a code for one use by which a device gets its token, in the name
// of the person who carries it. digest is that of the code.
func Code(ctx context.Context, db *storage.DB, caller domain.Caller, device domain.UUID, name string, digest [32]byte) (person Person, lapses time.Time, err error) {
	err = db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		role, contractor, err := deviceOf(t, device)
		if err != nil {
			return err
		}
		if err := checkNew(name, role, contractor); err != nil {
			return err
		}
		id, made, err := t.PersonNamed(name, role, contractor)
		if err != nil {
			return err
		}
		if person, err = get(t, id); err != nil {
			return err
		}
		if made {
			if err := t.Audit(caller, "person_added", id, string(role)); err != nil {
				return err
			}
		}
		if lapses, err = addOneUse(t, caller, digest, EnrollPhone, id, device, CodeTime); err != nil {
			return err
		}
		return t.Audit(caller, "enrollment_code_made", device, "")
	})
	return person, lapses, err
}

const deviceTokensEndSQL = `
UPDATE token SET revoked_at = @at WHERE program_id = @program_id AND device_id = @device_id AND revoked_at IS NULL`

// Enroll uses a code up: the device has a new token under the digest, and
// those that it had are revoked.
func Enroll(ctx context.Context, db *storage.DB, program domain.UUID, code, digest [32]byte) (token storage.Token, err error) {
	err = db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		row, err := use(t, code, EnrollPhone)
		if err != nil {
			return err
		}
		device := domain.UUID(*row.DeviceID)
		role, contractor, err := deviceOf(t, device)
		if err != nil {
			return err
		}
		p, err := get(t, row.PersonID)
		if err != nil {
			return err
		}
		if p.State == Ended {
			return notGood()
		}
		t.Queue(deviceTokensEndSQL, storage.Args{"program_id": t.Program, "device_id": device, "at": t.Now})
		token = storage.Token{Role: role, PersonID: p.ID, Name: p.Name, ContractorID: contractor, DeviceID: device, Idle: PhoneIdle}
		if err := t.AddToken(digest, &token); err != nil {
			return err
		}
		return t.Audit(domain.Caller{Program: t.Program, Token: token.ID, Person: p.ID}, "device_enrolled", device, "")
	})
	return token, err
}

package storage

import (
	"fmt"

	"ductledger/domain"

	"github.com/google/uuid"
)

const auditInsertSQL = `
INSERT INTO audit (program_id, audit_id, at, token_id, person_id, action, subject_id, detail)
VALUES (@program_id, @audit_id, @at, @token_id, @person_id, @action, @subject_id, @detail)`

// Audit queues one line about what somebody did besides records. The
// detail names no resident and no secret.
func (t *Tx) Audit(caller domain.Caller, action string, subject domain.UUID, detail string) error {
	id, err := uuid.NewV7()
	if err != nil {
		return fmt.Errorf("make an id: %w", err)
	}
	t.Queue(auditInsertSQL, Args{"program_id": t.Program, "audit_id": domain.UUID(id), "at": t.Now, "token_id": caller.Token, "person_id": caller.Person,
		"action": action, "subject_id": subject, "detail": detail})
	return nil
}

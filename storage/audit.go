package storage

import (
	"fmt"

	"ductledger/domain"

	"github.com/google/uuid"
)

const auditInsertSQL = `
INSERT INTO audit (program_id, audit_id, at, token_id, action, subject_id, detail)
VALUES (@program_id, @audit_id, @at, @token_id, @action, @subject_id, @detail)`

// writeAudit queues one line about what somebody did besides records. The
// detail names no resident and no secret.
func (t *Tx) writeAudit(caller domain.Caller, action string, subject domain.UUID, detail string) error {
	id, err := uuid.NewV7()
	if err != nil {
		return fmt.Errorf("make an id: %w", err)
	}
	t.Queue(auditInsertSQL, named{"program_id": t.Program, "audit_id": domain.UUID(id), "at": t.Now, "token_id": caller.Token,
		"action": action, "subject_id": subject, "detail": detail})
	return nil
}

package storage

import (
	"context"
	"fmt"

	"ductledger/domain"
	"ductledger/domain/ledger"

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

// ChainReport is what a verification of a program's chain found.
type ChainReport struct {
	From, To int64  // the positions that were looked at; To is 0 when there is none
	Broken   int64  // the first position whose link does not hold; 0: all hold
	Why      string // of Broken
	Link     ledger.Digest
}

type chainRow struct {
	EntryRow
	Link []byte
}

// The texts stand apart: a link is made of their digest.
const chainSQL = `
SELECT` + entryOwn + ` NULL::bigint AS number, NULL::text AS bytes_state, NULL::text[] AS texts, e.link
FROM entry AS e
WHERE e.program_id = @program_id AND e.position > @position AND e.position <= @last
ORDER BY e.position
LIMIT @limit`

// chainPage bounds what is held in memory at once.
const chainPage = 2000

// VerifyChain recomputes the chain's links from position from to position to
// (0: the head) and stops at the first that does not hold. It sees one state
// of the ledger, while pushes go on.
func (db *DB) VerifyChain(ctx context.Context, program domain.UUID, from, to int64) (report ChainReport, err error) {
	err = db.In(ctx, program, Survey, func(t *Tx) error {
		var heads []headRow
		All(t, &heads, headSQL, Args{"program_id": t.Program})
		if err := t.Flush(); err != nil {
			return err
		}
		if len(heads) == 0 {
			return domain.Errorf(domain.NotFound, "there is no such program")
		}
		head := heads[0].head()
		report = ChainReport{From: max(from, 1), To: head.Position}
		if to > 0 {
			report.To = min(to, head.Position)
		}
		if report.From > report.To && head.Position > 0 {
			return domain.Errorf(domain.Invalid, "positions %d to %d: the ledger has 1 to %d", report.From, to, head.Position)
		}
		before, err := t.linkAt(report.From - 1)
		if err != nil {
			return err
		}
		if report.From > 1 && before == (ledger.Digest{}) {
			return report.broken(report.From-1, "it is missing")
		}
		return t.walkChain(&report, before, head)
	})
	return report, err
}

func (r *ChainReport) broken(position int64, why string) error {
	r.Broken, r.Why = position, why
	return nil
}

// walkChain follows the links, a page at a time.
func (t *Tx) walkChain(report *ChainReport, before ledger.Digest, head Head) error {
	report.Link = before
	for position := report.From - 1; position < report.To; {
		var rows []chainRow
		All(t, &rows, chainSQL, Args{"program_id": t.Program, "position": position, "last": report.To, "limit": chainPage})
		if err := t.Flush(); err != nil {
			return err
		}
		if len(rows) == 0 {
			return report.broken(position+1, "it is missing")
		}
		for i := range rows {
			position++
			if why := rows[i].breaks(position, report.Link); why != "" {
				return report.broken(position, why)
			}
			report.Link = ledger.Digest(rows[i].Link)
		}
	}
	if report.To == head.Position && report.Link != head.Link {
		return report.broken(head.Position, "its link is not the one that the program's head has")
	}
	return nil
}

// breaks tells why the row is not the link that follows before; empty when it is.
func (r *chainRow) breaks(position int64, before ledger.Digest) string {
	if r.Position != position {
		return "it is missing"
	}
	entry, err := r.Entry(false)
	if err != nil {
		return err.Error()
	}
	held := ledger.Bare(entry, []byte(r.Body))
	if ledger.Next(before, ledger.AppendEntry(nil, &held)) != ledger.Digest(r.Link) {
		return fmt.Sprintf("its link does not follow from position %d and version %d of %s %s", position-1, entry.Version, entry.Kind, entry.ID)
	}
	return ""
}

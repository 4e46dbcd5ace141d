package performance

import (
	"context"
	"fmt"
	"maps"
	"time"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/google/uuid"
)

// Publication is a period whose figures were published: a position of the
// ledger, and what was read there. It never changes.
type Publication struct {
	ID                domain.UUID
	From              domain.Date
	Before            domain.Date
	Position          int64
	AsOfAt            time.Time
	HeadPosition      int64 // where the ledger stood when it was published
	MethodVersion     string
	InputDigest       []byte
	AnswerDigest      []byte // SHA-256 of Answer
	Answer            string // as staff read it; empty in a list
	Trends            string // each contractor's monthly points, as JSON; empty in a list
	PublishedAt       time.Time
	PublishedBy       string
	PublishedByPerson domain.UUID
}

type publicationRow struct {
	PublicationID       [16]byte
	FromOn              string
	BeforeOn            string
	Position            int64
	AsOfAt              time.Time
	HeadPosition        int64
	MethodVersion       string
	InputDigest         []byte
	AnswerDigest        []byte
	Answer              string
	Trends              string
	PublishedAt         time.Time
	PublishedByPersonID *[16]byte
	PublishedBy         *string
}

func (r *publicationRow) publication() Publication {
	p := Publication{
		ID: r.PublicationID, From: domain.Date(r.FromOn), Before: domain.Date(r.BeforeOn), Position: r.Position, AsOfAt: r.AsOfAt,
		HeadPosition: r.HeadPosition, MethodVersion: r.MethodVersion, InputDigest: r.InputDigest, AnswerDigest: r.AnswerDigest,
		Answer: r.Answer, Trends: r.Trends, PublishedAt: r.PublishedAt, PublishedByPerson: storage.IDOf(r.PublishedByPersonID),
	}
	if r.PublishedBy != nil {
		p.PublishedBy = *r.PublishedBy
	}
	return p
}

func publicationsOf(rows []publicationRow) []Publication {
	list := make([]Publication, len(rows))
	for i := range rows {
		list[i] = rows[i].publication()
	}
	return list
}

// The lock on the head lets no position come between what is read of it and
// the commit: whoever asks of a later position comes after the publication.
const publicationHeadSQL = `
SELECT position, recorded_at FROM program_head WHERE program_id = @program_id FOR UPDATE`

const publicationInsertSQL = `
INSERT INTO performance_publication (program_id, publication_id, from_on, before_on, position, as_of_at, head_position, method_version,
    input_digest, answer_digest, answer, trends, published_at, published_by_token, published_by_person_id, published_by)
VALUES (@program_id, @publication_id, @from_on, @before_on, @position, @as_of_at, @head_position, @method_version,
    @input_digest, @answer_digest, @answer, @trends, @published_at, @published_by_token, @published_by_person_id, @published_by)
ON CONFLICT (program_id, from_on, before_on, position, method_version) DO NOTHING`

const publicationColumns = `publication_id, from_on, before_on, position, as_of_at, head_position, method_version,
    input_digest, answer_digest, published_at, published_by_person_id, published_by`

const publicationOnceSQL = `
SELECT ` + publicationColumns + `, '' AS answer, '' AS trends
FROM performance_publication
WHERE program_id = @program_id AND from_on = @from_on AND before_on = @before_on AND position = @position AND method_version = @method_version`

// Publish stores what was read of a period at a position. Publishing the same
// again gives the publication that is there.
func Publish(ctx context.Context, db *storage.DB, caller domain.Caller, p Publication) (kept Publication, created bool, err error) {
	id, err := uuid.NewV7()
	if err != nil {
		return kept, false, fmt.Errorf("make an id: %w", err)
	}
	err = db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		var head *storage.Moment
		storage.One(t, &head, publicationHeadSQL, storage.Args{"program_id": t.Program})
		if err := t.Flush(); err != nil {
			return err
		}
		if head == nil {
			return domain.Errorf(domain.NotFound, "there is no such program")
		}
		made := int64(0)
		args := storage.Args{"program_id": t.Program, "publication_id": domain.UUID(id), "from_on": string(p.From), "before_on": string(p.Before),
			"position": p.Position, "as_of_at": p.AsOfAt, "head_position": head.Position, "method_version": p.MethodVersion,
			"input_digest": p.InputDigest, "answer_digest": p.AnswerDigest, "answer": p.Answer, "trends": p.Trends,
			"published_at": t.Now, "published_by_token": caller.Token, "published_by_person_id": caller.Person, "published_by": storage.OrNull(caller.Name)}
		var rows []publicationRow
		t.Queue(publicationInsertSQL, args).Exec(storage.Affected(&made))
		storage.All(t, &rows, publicationOnceSQL, args)
		if err := t.Flush(); err != nil {
			return err
		}
		if len(rows) != 1 {
			return storage.ErrRaceLost
		}
		kept, created = rows[0].publication(), made == 1
		if !created {
			return nil
		}
		return t.Audit(caller, "performance_published", kept.ID, fmt.Sprintf("%s to %s at position %d", p.From, p.Before, p.Position))
	})
	return kept, created, err
}

// The newest first; after is the last one of the page before.
const publicationListSQL = `
SELECT ` + publicationColumns + `, '' AS answer, '' AS trends
FROM performance_publication
WHERE program_id = @program_id AND (@after::uuid IS NULL OR publication_id < @after)
ORDER BY publication_id DESC LIMIT @limit`

// Publications lists what was published, the newest first.
func Publications(ctx context.Context, db *storage.DB, program, after domain.UUID, limit int) (list []Publication, err error) {
	var rows []publicationRow
	err = db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		storage.All(t, &rows, publicationListSQL, storage.Args{"program_id": t.Program, "after": after, "limit": limit})
		return t.Flush()
	})
	return publicationsOf(rows), err
}

const publicationSQL = `
SELECT ` + publicationColumns + `, answer, trends
FROM performance_publication
WHERE program_id = @program_id AND publication_id = @id`

// ReadPublication reads one with its answer.
func ReadPublication(ctx context.Context, db *storage.DB, program, id domain.UUID) (p Publication, err error) {
	var rows []publicationRow
	err = db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		storage.All(t, &rows, publicationSQL, storage.Args{"program_id": t.Program, "id": id})
		return t.Flush()
	})
	if err == nil && len(rows) == 0 {
		err = domain.Errorf(domain.NotFound, "there is no such publication")
	}
	if err != nil {
		return p, err
	}
	return rows[0].publication(), nil
}

// Publications that touch the period and were made before the position that
// is asked for, oldest first.
const publicationsOfPeriodSQL = `
SELECT ` + publicationColumns + `, CASE WHEN @with_answer::boolean AND from_on = @from_on AND before_on = @before_on THEN answer ELSE '' END AS answer,
    CASE WHEN @with_answer::boolean THEN trends ELSE '' END AS trends
FROM performance_publication
WHERE program_id = @program_id AND head_position < @position
    AND (from_on = @from_on AND before_on = @before_on OR @with_answer::boolean AND from_on < @before_on AND before_on > @from_on)
ORDER BY publication_id`

// Published are the publications of this period that somebody who asks at the
// position can know; with answers also those that share a month with it, with
// their trends.
func (p *Population) Published(answers bool) ([]Publication, error) {
	var rows []publicationRow
	args := maps.Clone(p.args)
	args["from_on"], args["before_on"] = string(domain.DateOf(p.Period.From, p.Zone)), string(domain.DateOf(p.Period.Before, p.Zone))
	args["with_answer"] = answers
	storage.All(p.t, &rows, publicationsOfPeriodSQL, args)
	if err := p.t.Flush(); err != nil {
		return nil, err
	}
	return publicationsOf(rows), nil
}

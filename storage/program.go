package storage

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
	"ductledger/domain/performance"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
	"github.com/jackc/pgx/v5"
)

// Program is an agency's program.
type Program struct {
	ID        domain.UUID
	Code      string
	Name      string
	TimeZone  string
	Demo      bool
	CreatedAt time.Time
}

// zones keeps what was read of the zone files: every push needs its zone.
var zones sync.Map // of *time.Location, by name

// Zone is where the program's days and months begin.
func (p Program) Zone() (*time.Location, error) {
	if zone, ok := zones.Load(p.TimeZone); ok {
		return zone.(*time.Location), nil
	}
	zone, err := time.LoadLocation(p.TimeZone)
	if err == nil {
		zones.Store(p.TimeZone, zone)
	}
	return zone, err
}

// Period is a range of days where the program works, its last day left out.
func (p Program) Period(from, before domain.Date) (period performance.Period, err error) {
	zone, err := p.Zone()
	if err != nil {
		return period, err
	}
	if period.From, err = time.ParseInLocation(time.DateOnly, string(from), zone); err == nil {
		period.Before, err = time.ParseInLocation(time.DateOnly, string(before), zone)
	}
	if err != nil {
		return period, domain.At("/from", domain.BadQuery, "from and before are days such as 2026-10-01")
	}
	if !period.From.Before(period.Before) {
		return period, domain.At("/before", domain.BadQuery, "before: the period has to end after its first day")
	}
	return period, nil
}

// A Window is a period of days as it stood at one position of the ledger.
type Window struct {
	Position int64
	AsOfAt   time.Time // when the position was recorded
	Period   performance.Period
	Zone     *time.Location
}

// Window is the period at a position, at the head when 0.
func (t *Tx) Window(from, before domain.Date, position int64) (w Window, err error) {
	var at *Moment
	t.QueueMoment(&at, position)
	program, err := t.Settings()
	if err != nil {
		return w, err
	}
	if at == nil {
		return w, domain.At("/position", domain.BadQuery, "position: the ledger has no position %d", position)
	}
	w.Position, w.AsOfAt = at.Position, at.RecordedAt
	if w.Zone, err = program.Zone(); err != nil {
		return w, err
	}
	w.Period, err = program.Period(from, before)
	return w, err
}

// Args are what the statements of a report ask for.
func (w *Window) Args(program domain.UUID) Args {
	return Args{"program_id": program, "position": w.Position, "from": w.Period.From, "before": w.Period.Before}
}

// ProgramID is derived from the code, so that no unique key crosses
// programs: a second program of the same code meets the first one's key.
func ProgramID(code string) domain.UUID {
	sum := sha256.Sum256([]byte("ductledger program " + code))
	id := domain.UUID(sum[:16])
	id[6], id[8] = 0x80|id[6]&0x0f, 0x80|id[8]&0x3f // version 8 of RFC 9562: made by our own rule
	return id
}

const programInsertSQL = `
INSERT INTO program (program_id, code, name, time_zone, demo, created_at)
VALUES (@program_id, @code, @name, @time_zone, @demo, @created_at)
ON CONFLICT (program_id) DO NOTHING`

const programHeadInsertSQL = `
INSERT INTO program_head (program_id, position, link, recorded_at, epoch, epoch_from_position, epoch_cause)
VALUES (@program_id, 0, @link, @recorded_at, @epoch, 0, 'new')`

// CreateProgram makes a program with a first rule set of defaults, in force
// from the beginning. firstSet is that set's id, epoch the name of its history.
func (db *DB) CreateProgram(ctx context.Context, p Program, firstSet, epoch domain.UUID, set *domain.RuleSet) error {
	if _, err := p.Zone(); err != nil || p.TimeZone == "" || p.TimeZone == "Local" {
		return domain.Errorf(domain.Invalid, "%q is not an IANA time zone such as America/Los_Angeles", p.TimeZone)
	}
	item, err := intake.NewItem(domain.RuleSetKind, firstSet, set)
	if err != nil {
		return err
	}
	return db.In(ctx, p.ID, Writing, func(t *Tx) error {
		item.ReceivedAt = t.Now
		args := Args{"program_id": p.ID, "code": p.Code, "name": p.Name, "time_zone": p.TimeZone, "demo": p.Demo,
			"created_at": t.Now, "link": make([]byte, 32), "recorded_at": t.Now, "epoch": epoch}
		made := int64(0)
		t.Queue(programInsertSQL, args).Exec(Affected(&made))
		if err := t.Flush(); err != nil {
			return err
		}
		if made == 0 {
			return domain.Errorf(domain.VersionConflict, "there is a program with the code %s already", p.Code)
		}
		t.Queue(programHeadInsertSQL, args)
		accepted := []intake.Decision{{Item: item, Status: intake.Created, Version: 1, Body: item.Body}}
		head, err := t.lockHead()
		if err != nil {
			return err
		}
		t.appendEntries(head, accepted, func(intake.Key) int64 { return 0 })
		return nil
	})
}

const programSQL = `
SELECT program_id, code, name, time_zone, demo, created_at FROM program WHERE program_id = @program_id`

// Program reads the program's settings.
func (db *DB) Program(ctx context.Context, id domain.UUID) (p Program, err error) {
	err = db.In(ctx, id, Reading, func(t *Tx) error {
		p, err = t.Settings()
		return err
	})
	return p, err
}

type programRow struct {
	ProgramID [16]byte
	Code      string
	Name      string
	TimeZone  string
	Demo      bool
	CreatedAt time.Time
}

// Settings reads the row of the transaction's program.
func (t *Tx) Settings() (Program, error) {
	var row *programRow
	One(t, &row, programSQL, Args{"program_id": t.Program})
	if err := t.Flush(); err != nil {
		return Program{}, err
	}
	if row == nil {
		return Program{}, domain.Errorf(domain.NotFound, "there is no such program")
	}
	return row.program(), nil
}

func (r *programRow) program() Program {
	return Program{ID: r.ProgramID, Code: r.Code, Name: r.Name, TimeZone: r.TimeZone, Demo: r.Demo, CreatedAt: r.CreatedAt}
}

// The one statement that crosses programs: program_head holds numbers only.
const programHeadsSQL = `
SELECT program_id FROM program_head WHERE program_id IS NOT NULL ORDER BY program_id`

// Programs lists all programs by code.
func (db *DB) Programs(ctx context.Context) (list []Program, err error) {
	var ids []struct{ ProgramID [16]byte }
	err = db.In(ctx, domain.UUID{}, Reading, func(t *Tx) error {
		All(t, &ids, programHeadsSQL)
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		p, err := db.Program(ctx, id.ProgramID)
		if err != nil {
			return nil, err
		}
		list = append(list, p)
	}
	return list, nil
}

// Head is where a program's ledger stands.
type Head struct {
	Position   int64
	Link       ledger.Digest
	RecordedAt time.Time
	Epoch      domain.UUID
	EpochFrom  int64 // where the epoch began
	// Shared tells that all up to EpochFrom is the same as in the epoch before:
	// so when an operator named a restore, not when a device noticed one.
	Shared bool
}

const headSQL = `
SELECT position, link, recorded_at, epoch, epoch_from_position, epoch_cause = 'restore' AS shared FROM program_head WHERE program_id = @program_id`

type headRow struct {
	Position   int64
	Link       []byte
	RecordedAt time.Time
	Epoch      [16]byte

	EpochFromPosition int64
	Shared            bool
}

func (r *headRow) head() Head {
	return Head{Position: r.Position, Link: ledger.Digest(r.Link), RecordedAt: r.RecordedAt, Epoch: r.Epoch, EpochFrom: r.EpochFromPosition, Shared: r.Shared}
}

// QueueHead queues the look-up of the ledger's head; *into stays nil when there
// is no such program.
func (t *Tx) QueueHead(into **Head) {
	t.Queue(headSQL, Args{"program_id": t.Program}).Query(func(rows pgx.Rows) error {
		row, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[headRow])
		if err == nil {
			head := row.head()
			*into = &head
		}
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		return err
	})
}

const ruleSetsSQL = `
SELECT` + EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.job_id IS NULL AND e.contractor_id IS NULL AND e.kind = 'rule_set' AND e.until_position IS NULL`

// Those that are void left out; of two that begin on one day the first by id is in force.
const ruleSetsAtSQL = `
SELECT e.record_id, e.body FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'rule_set' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
    AND e.voided_at IS NULL
ORDER BY e.record_id`

// Newest stands for the position of whatever is recorded last.
const Newest = math.MaxInt64

// QueueRuleSets queues the program's rule sets as they stood at a position.
func (t *Tx) QueueRuleSets(into *[]*domain.RuleSet, position int64) {
	t.Queue(ruleSetsAtSQL, Args{"program_id": t.Program, "position": position}).Query(func(rows pgx.Rows) (err error) {
		*into, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*domain.RuleSet, error) {
			var id [16]byte
			var body []byte
			set := new(domain.RuleSet)
			err := row.Scan(&id, &body)
			if err == nil {
				err = json.Unmarshal(body, set)
			}
			if err != nil {
				err = fmt.Errorf("rule set %s: %w", domain.UUID(id), err)
			}
			return set, err
		})
		return err
	})
}

// RulesOn gives the rule set of a day and where the program's days begin.
func (db *DB) RulesOn(ctx context.Context, caller domain.Caller, day domain.Date) (set rules.Set, zone *time.Location, err error) {
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		var f facts
		if zone, err = t.readRuleSets(&f); err != nil {
			return err
		}
		id, record := f.ruleSet(day)
		var faults []domain.Fault
		set, faults = rules.NewSet(id, record)
		return domain.InvalidFields(faults)
	})
	return set, zone, err
}

func (t *Tx) readRuleSets(f *facts) (*time.Location, error) {
	All(t, &f.rows, ruleSetsSQL, Args{"program_id": t.Program})
	settings, err := t.Settings()
	if err != nil {
		return nil, err
	}
	zone, err := settings.Zone()
	if err != nil {
		return nil, err
	}
	return zone, f.decode(zone)
}

// RuleSetToday is the rule set that is in force today; an empty one where the
// program has none.
func (t *Tx) RuleSetToday() (*domain.RuleSet, error) {
	var f facts
	zone, err := t.readRuleSets(&f)
	if err != nil {
		return nil, err
	}
	if _, set := f.ruleSet(domain.DateOf(t.Now, zone)); set != nil {
		return set, nil
	}
	return &domain.RuleSet{}, nil
}

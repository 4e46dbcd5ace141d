package storage

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	"ductledger/domain"

	"github.com/jackc/pgx/v5/pgconn"
)

// errRaceLost says that another transaction was faster: run again.
var errRaceLost = errors.New("another transaction was faster")

// SQLSTATE codes that are read here and nowhere else.
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	uniqueViolation      = "23505"
	foreignKeyViolation  = "23503"
	queryCanceled        = "57014"
	tooManyConnections   = "53300"
	diskFull             = "53100"
	lockNotAvailable     = "55P03"
)

// raceLost tells the errors after which the same transaction may succeed.
func raceLost(err error) bool {
	if errors.Is(err, errRaceLost) {
		return true
	}
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return false
	}
	switch pg.Code {
	case serializationFailure, deadlockDetected:
		return true
	case uniqueViolation:
		// Two pushes made the same version at once; the second finds the first's.
		_, ofKind := kindsSQL[domain.Kind(strings.TrimSuffix(pg.ConstraintName, "_pkey"))]
		return ofKind || pg.ConstraintName == "ledger_one_entry_per_version" || pg.ConstraintName == "record_head_pkey" || pg.ConstraintName == "ledger_pkey"
	}
	return false
}

// ErrBusy says that others kept changing the same records; nothing of the
// transaction was stored.
var ErrBusy = &domain.Error{Code: domain.Overloaded, Detail: "others are changing the same records; send it again", RetryAfter: unavailable}

// unavailable is how long a client should wait when the database is away.
const unavailable = 2 * time.Second

// errOutcomeUnknown says that a commit was sent and not answered.
var errOutcomeUnknown = &domain.Error{Code: domain.Overloaded, RetryAfter: unavailable,
	Detail: "the database broke off; the outcome is unknown: send it again, which is harmless if it was stored"}

// errAway says that the database was away before anything was stored.
var errAway = &domain.Error{Code: domain.Overloaded, RetryAfter: unavailable,
	Detail: "the database does not answer; nothing was stored: send it again"}

// maybeCommitted turns the error of a commit into errOutcomeUnknown, unless
// the server said that it rolled back. A server that panics while it writes
// the commit may find it in its log when it comes back.
func maybeCommitted(err error) error {
	var pg *pgconn.PgError
	if errors.As(err, &pg) && !broken(pg) {
		return err
	}
	return fmt.Errorf("%w (%w)", errOutcomeUnknown, err)
}

// broken tells errors with which the server ends the session, or which its
// disk causes, from those that only end a statement.
func broken(pg *pgconn.PgError) bool {
	severity := cmp.Or(pg.SeverityUnlocalized, pg.Severity)
	return severity == "FATAL" || severity == "PANIC" || strings.HasPrefix(pg.Code, "58") // system error, such as io_error
}

// connectionLost tells that a transaction ended with its connection, before
// its commit was sent.
func connectionLost(err error) bool {
	var pg *pgconn.PgError
	var netError net.Error
	switch {
	case err == nil, errors.Is(err, errOutcomeUnknown), errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return false
	case errors.As(err, &pg):
		return broken(pg) && !strings.HasPrefix(pg.Code, "58")
	}
	return errors.As(err, &netError) || pgconn.SafeToRetry(err) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		strings.Contains(err.Error(), "conn closed")
}

// interpret turns the database's errors into what a user may see; anything
// else stays internal.
func interpret(err error) error {
	var known *domain.Error
	if err == nil || errors.As(err, &known) {
		return err
	}
	var pg *pgconn.PgError
	var connect *pgconn.ConnectError
	switch {
	case raceLost(err): // too often
		return ErrBusy
	case errors.As(err, &connect):
		return errAway
	case errors.As(err, &pg):
		return interpretPg(pg, err)
	case errors.Is(err, context.DeadlineExceeded):
		return &domain.Error{Code: domain.TimeLimit, Detail: "the time limit passed before an answer was ready", RetryAfter: unavailable}
	case errors.Is(err, context.Canceled):
		return err
	case connectionLost(err):
		return errAway
	}
	return err
}

func interpretPg(pg *pgconn.PgError, err error) error {
	switch pg.Code {
	case lockNotAvailable:
		return ErrBusy
	case queryCanceled:
		return &domain.Error{Code: domain.TimeLimit, Detail: "the time limit passed before an answer was ready", RetryAfter: unavailable}
	case diskFull:
		return &domain.Error{Code: domain.StorageFull, Detail: "no space is left to store"}
	case uniqueViolation, foreignKeyViolation, "23514", "23502", "22P02", "22003", "22008", "22007", "22021":
		if problem := constraintProblem(pg); problem != nil {
			return problem
		}
	}
	if broken(pg) {
		return fmt.Errorf("%w (%w)", errAway, err)
	}
	return fmt.Errorf("database (%s, %s): %w", pg.Code, pg.ConstraintName, err)
}

// constraintFaults says for each constraint that a record can break what is
// wrong with it. A test asks the catalog for every constraint.
var constraintFaults = map[string]domain.Fault{
	"rule_set_one_a_day":                      {Pointer: "/from_on", Code: "taken", Detail: "another rule set begins on that day", Fix: "name another day"},
	"contractor_ends_after_start":             {Pointer: "/ended_on", Code: "order", Detail: "ended_on lies before started_on"},
	"credential_has_one_holder":               {Pointer: "/contractor_id", Code: "one_holder", Detail: "a credential has one holder: a crew member or a contractor"},
	"credential_ends_after_start":             {Pointer: "/valid_until_on", Code: "order", Detail: "valid_until_on lies before valid_from_on"},
	"instrument_calibration_ends_after_start": {Pointer: "/calibrated_until_on", Code: "order", Detail: "calibrated_until_on lies before calibrated_on"},
	"job_sent_in_has_outcome":                 {Pointer: "/outcome", Code: "required", Detail: "a job that is sent in has an outcome"},
	"call_back_closes_after_report":           {Pointer: "/closed_on", Code: "order", Detail: "closed_on lies before reported_on"},
	"visit_left_after_arrival":                {Pointer: "/left_at", Code: "order", Detail: "left_at lies before arrived_at"},
	"component_ends_after_start":              {Pointer: "/end_ft", Code: "order", Detail: "end_ft is not beyond start_ft"},
	"crossover_joins_two_sections":            {Pointer: "/to_section", Code: "order", Detail: "a crossover joins two sections"},
	"opening_closes_after_it_was_made":        {Pointer: "/closed_at", Code: "order", Detail: "closed_at lies before made_at"},
	"energy_isolation_in_order":               {Pointer: "/verified_at", Code: "order", Detail: "verified_at and released_at cannot lie before isolated_at"},
	"measurement_pressures_are_positive":      {Pointer: "/readings", Code: "too_small", Detail: "a pressure is more than 0 Pa"},
	"measurement_flows_are_positive":          {Pointer: "/readings", Code: "too_small", Detail: "a flow is more than 0 cfm"},
	"measurement_pans_are_not_negative":       {Pointer: "/readings", Code: "too_small", Detail: "a pan reading is not below 0 Pa"},
	"measurement_replaces_check":              {Pointer: "/replaces", Code: "replaces_other", Detail: "a reading cannot replace itself"},
	"photo_replaces_check":                    {Pointer: "/replaces", Code: "replaces_other", Detail: "a photo cannot replace itself"},
}

// constraintProblem names the field behind a broken constraint. A column's own
// CHECK is named table_column_check by Postgres, which gives the field.
func constraintProblem(pg *pgconn.PgError) *domain.Error {
	fault, ok := constraintFaults[pg.ConstraintName]
	if !ok && strings.HasSuffix(pg.ConstraintName, "_check") && pg.TableName != "" {
		column := strings.TrimSuffix(strings.TrimPrefix(pg.ConstraintName, pg.TableName+"_"), "_check")
		fault, ok = domain.Fault{Pointer: "/" + column, Code: "out_of_range", Detail: column + " has a value that can never be true"}, true
	}
	if !ok && (pg.Code == "22003" || pg.Code == "22008" || pg.Code == "22007") {
		fault, ok = domain.Fault{Pointer: "", Code: "out_of_range", Detail: "a number or time is out of the range that can be stored"}, true
	}
	if !ok {
		return nil
	}
	return domain.InvalidFields([]domain.Fault{fault}).(*domain.Error)
}

// poisoned tells the errors that one item of many can cause.
func poisoned(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (strings.HasPrefix(pg.Code, "22") || strings.HasPrefix(pg.Code, "23")) && !raceLost(err)
}

func foreignKeyBroken(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.Code == foreignKeyViolation
}

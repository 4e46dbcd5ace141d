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

// ErrRaceLost ends a transaction that another one was faster than: it is run
// again.
var ErrRaceLost = errors.New("another transaction was faster")

// errOvertaken says that the newest version of a record was replaced while its
// lock was waited for: run again, with the one that is the newest now.
var errOvertaken = errors.New("another version became the newest")

// SQLSTATE codes that are read here and nowhere else.
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	uniqueViolation      = "23505"
	queryCanceled        = "57014"
	tooManyConnections   = "53300"
	diskFull             = "53100"
	lockNotAvailable     = "55P03"
)

// raceLost tells the errors after which the same transaction may succeed.
func raceLost(err error) bool {
	if errors.Is(err, ErrRaceLost) {
		return true
	}
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return false
	}
	switch pg.Code {
	case serializationFailure, deadlockDetected:
		return true
	case uniqueViolation: // two pushes made the same version at once; the second finds the first's
		switch pg.ConstraintName {
		case "entry_pkey", "entry_one_per_version", "entry_rule_set_one_a_day", "job_pkey":
			return true
		}
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
	case raceLost(err), errors.Is(err, errOvertaken): // too often
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
	}
	if broken(pg) {
		return fmt.Errorf("%w (%w)", errAway, err)
	}
	return fmt.Errorf("database (%s, %s): %w", pg.Code, pg.ConstraintName, err)
}

package storage

import "github.com/jackc/pgx/v5/pgconn"

// ConstraintProblem lets the test of the catalog ask what a broken
// constraint is answered with; HasFault whether it has words of its own.
var ConstraintProblem = constraintProblem

func HasFault(constraint string) bool { _, ok := constraintFaults[constraint]; return ok }

func FaultConstraints() (names []string) {
	for name := range constraintFaults {
		names = append(names, name)
	}
	return names
}

// Violation is an error of Postgres about a constraint.
func Violation(code, table, constraint string) *pgconn.PgError {
	return &pgconn.PgError{Code: code, TableName: table, ConstraintName: constraint}
}

// The queries of the two long tables, for a benchmark beside COPY.
const (
	MonthJobsSQL         = monthJobsSQL
	MonthMeasurementsSQL = monthMeasurementsSQL
)

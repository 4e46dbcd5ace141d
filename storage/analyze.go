package storage

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// The programs' own tables: the catalog's are many, and did not change. A
// small sample is enough to tell a table of thousands of rows from an empty
// one.
const analyzeSQL = `
DO $$ BEGIN
    SET LOCAL default_statistics_target = 10;
    EXECUTE (SELECT 'ANALYZE ' || string_agg(quote_ident(relname), ', ') FROM pg_class
        WHERE relnamespace = 'public'::regnamespace AND relkind = 'r');
END $$`

// Analyze refreshes what the planner knows of the tables. url is the owner's.
// Postgres does it by itself, but a minute late. Without any statistics every
// index of a table looks as good as another, so that until then a database that
// is filled at once looks up a row by reading a program's whole ledger.
func Analyze(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fmt.Errorf("connect to analyze: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if _, err := conn.Exec(ctx, analyzeSQL); err != nil {
		return fmt.Errorf("analyze: %w", err)
	}
	return nil
}

package storage

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// A small sample is enough to tell a table of thousands of rows from an empty one.
const analyzeSampleSQL = `SET default_statistics_target = 10`

const analyzeSQL = `ANALYZE`

// Analyze refreshes what the planner knows of the tables. url is the owner's.
// Postgres does it by itself, but a minute late: a database that is filled at
// once is planned as if it were empty until then, and the feed was seen to
// take thirty times as long.
func Analyze(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fmt.Errorf("connect to analyze: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	for _, statement := range []string{analyzeSampleSQL, analyzeSQL} {
		if _, err := conn.Exec(ctx, statement); err != nil {
			return fmt.Errorf("analyze: %w", err)
		}
	}
	return nil
}

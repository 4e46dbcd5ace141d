package storage

import (
	"context"
)

// BuiltStatements are those made from the fields of a struct, by name.
func BuiltStatements() map[string]string {
	return map[string]string{"resultInsertSQL": resultInsertSQL, "resultUpdateSQL": resultUpdateSQL, "resultReadSQL": resultReadSQL}
}

// FlushStatistics has the one connection of a database tell what it has read.
func FlushStatistics(ctx context.Context, db *DB) error {
	_, err := db.pool.Exec(ctx, "SELECT pg_stat_force_next_flush()")
	return err
}

// DeadHost are the settings of a session that holds a lock.
var DeadHost = deadHost

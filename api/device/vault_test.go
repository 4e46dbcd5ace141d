package device_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// vault keeps backups of programs beside their database and sets them back:
// every row of every table of one program, as a restored backup would have
// them. That is far quicker than a copy of the database for each seed.
type vault struct {
	conn   *pgx.Conn
	tables []string
	column map[string]string // the columns of a table that can be written
	made   int
}

func openVault(t testing.TB, db *storage.DB) *vault {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, storagetest.AddressOf(db))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(ctx) })
	v := &vault{conn: conn, column: map[string]string{}}
	rows, err := conn.Query(ctx, `
		SELECT c.relname::text, string_agg(quote_ident(a.attname), ', ' ORDER BY a.attnum)
		FROM pg_class AS c JOIN pg_attribute AS a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r'
			AND EXISTS (SELECT FROM pg_attribute AS p WHERE p.attrelid = c.oid AND p.attname = 'program_id')
		GROUP BY c.relname ORDER BY c.relname`)
	if err != nil {
		t.Fatal(err)
	}
	var name, columns string
	if _, err := pgx.ForEachRow(rows, []any{&name, &columns}, func() error {
		v.tables, v.column[name] = append(v.tables, name), columns
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	v.exec(t, "CREATE SCHEMA vault;", func(table, columns string) string {
		return fmt.Sprintf("CREATE UNLOGGED TABLE vault.%s AS SELECT 0 AS copy, %s FROM %[1]s WHERE false;", table, columns)
	})
	return v
}

func (v *vault) exec(t testing.TB, first string, each func(table, columns string) string) {
	t.Helper()
	var sql strings.Builder
	sql.WriteString(first)
	for _, table := range v.tables {
		sql.WriteString(each(table, v.column[table]))
	}
	if _, err := v.conn.Exec(context.Background(), sql.String()); err != nil { // several statements at once are one transaction
		t.Fatal(err)
	}
}

// save makes a backup of the program and gives its number.
func (v *vault) save(t testing.TB, program domain.UUID) int {
	t.Helper()
	v.made++
	v.exec(t, "", func(table, columns string) string {
		return fmt.Sprintf("INSERT INTO vault.%[1]s SELECT %[2]d, %[3]s FROM %[1]s WHERE program_id = '%[4]s';", table, v.made, columns, program)
	})
	return v.made
}

// restore sets the program back to a backup. As in a restore, no trigger runs.
func (v *vault) restore(t testing.TB, program domain.UUID, number int) {
	t.Helper()
	v.exec(t, "SET LOCAL session_replication_role = replica;", func(table, columns string) string {
		return fmt.Sprintf("DELETE FROM %[1]s WHERE program_id = '%[2]s'; INSERT INTO %[1]s (%[3]s) SELECT %[3]s FROM vault.%[1]s WHERE copy = %[4]d;", table, program, columns, number)
	})
}

// newEpoch is what the operator's restore procedure does for the program.
func (v *vault) newEpoch(t testing.TB, program, epoch domain.UUID) {
	t.Helper()
	if _, err := v.conn.Exec(context.Background(), `UPDATE program_head SET epoch = $2, epoch_from_position = position, epoch_cause = 'restore' WHERE program_id = $1`,
		program.String(), epoch.String()); err != nil {
		t.Fatal(err)
	}
}

package storage_test

import (
	"context"
	"strconv"
	"testing"

	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// The server frees the lock of a host that is gone within 30 s. Keepalives
// begin after tcp_keepalives_idle and end tcp_keepalives_count intervals later
// [pub PostgreSQL manual, section Connections and Authentication, TCP Settings].
func TestADeadHostFreesItsLock(t *testing.T) {
	t.Parallel()
	config, err := pgx.ParseConfig(storagetest.URL(t))
	if err != nil {
		t.Fatal(err)
	}
	for name, value := range storage.DeadHost {
		config.RuntimeParams[name] = value
	}
	conn, err := pgx.ConnectConfig(context.Background(), config)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	seconds := map[string]int{}
	for name, value := range storage.DeadHost {
		var shown string
		if err := conn.QueryRow(context.Background(), "SELECT setting FROM pg_settings WHERE name = $1", name).Scan(&shown); err != nil || shown != value {
			t.Errorf("%s is %q, %v, want %s", name, shown, err, value)
		}
		if seconds[name], err = strconv.Atoi(value); err != nil {
			t.Error(err)
		}
	}
	if all := seconds["tcp_keepalives_idle"] + seconds["tcp_keepalives_interval"]*seconds["tcp_keepalives_count"]; all == 0 || all > 30 || seconds["tcp_user_timeout"] > 30_000 {
		t.Errorf("a dead host is noticed after %d s, %d ms", all, seconds["tcp_user_timeout"])
	}
}

package storage

import (
	"context"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

const deviceUpsertSQL = `
INSERT INTO device (program_id, id, contractor_id, state, void, created_at)
VALUES (@program_id, @id, @contractor_id, @state, @void, @at)
ON CONFLICT (program_id, id) DO UPDATE SET contractor_id = excluded.contractor_id, state = excluded.state, void = excluded.void`

const deviceVoidSQL = `
UPDATE device SET void = true WHERE program_id = @program_id AND id = @id`

// writeDevices queues what every request of a device asks for.
func (t *Tx) writeDevices(accepted []intake.Decision, at time.Time) {
	for i := range accepted {
		d := &accepted[i]
		if d.Item.Kind != domain.DeviceKind {
			continue
		}
		args := Args{"program_id": t.Program, "id": d.Item.ID, "contractor_id": d.ContractorID, "void": false, "at": at}
		if r, ok := d.Item.Record.(*domain.Device); ok {
			args["state"] = string(r.State)
			t.Queue(deviceUpsertSQL, args)
		} else {
			t.Queue(deviceVoidSQL, args)
		}
	}
}

// LastSeen is what the service last heard of a device.
type LastSeen struct {
	LastPullAt           *time.Time
	LastPushAt           *time.Time
	AcknowledgedPosition *int64
	ClockOffsetS         *float64
	AppName              *string
	AppVersion           *string
	SchemaRevision       *int32
	PendingRecordsCount  *int32
	PendingPhotosCount   *int32
	PendingOldestAt      *time.Time
	HeldOpenCount        int64
	HeldWaitingCount     int64
}

type lastSeenRow struct {
	DeviceID [16]byte
	LastSeen
}

const lastSeenSQL = `
SELECT s.id AS device_id, s.last_pull_at, s.last_push_at, s.acknowledged_position, s.clock_offset_s, s.app_name, s.app_version, s.schema_revision,
    s.pending_records_count, s.pending_photos_count, s.pending_oldest_at,
    (SELECT count(*) FROM held AS h WHERE h.program_id = s.program_id AND h.device_id = s.id AND h.state = 'open') AS held_open_count,
    (SELECT count(*) FROM held AS h WHERE h.program_id = s.program_id AND h.device_id = s.id AND h.state = 'waiting') AS held_waiting_count
FROM device AS s
WHERE s.program_id = @program_id AND s.id = ANY (@ids) AND (s.last_pull_at IS NOT NULL OR s.last_push_at IS NOT NULL)`

// LastSeen reads when devices were last seen. Those that never spoke are absent.
func (db *DB) LastSeen(ctx context.Context, caller domain.Caller, ids []domain.UUID) (map[domain.UUID]LastSeen, error) {
	var rows []lastSeenRow
	err := db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		All(t, &rows, lastSeenSQL, Args{"program_id": t.Program, "ids": ids})
		return nil
	})
	list := make(map[domain.UUID]LastSeen, len(rows))
	for _, r := range rows {
		list[r.DeviceID] = r.LastSeen
	}
	return list, err
}

const pullNoteSQL = `
UPDATE device SET last_pull_at = @at, acknowledged_position = @position WHERE program_id = @program_id AND id = @device_id`

// NotePull notes that a device pulled: all before the position is with it.
func (db *DB) NotePull(ctx context.Context, caller domain.Caller, position int64) error {
	return db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		// Worth no wait for the disk: the next pull says it again.
		t.Queue("SET LOCAL synchronous_commit = off")
		t.Queue(pullNoteSQL, Args{"program_id": t.Program, "device_id": caller.Device, "at": t.Now, "position": position})
		return nil
	})
}

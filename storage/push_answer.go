package storage

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

const currentEntriesSQL = `
SELECT` + ledgerColumns + `
FROM unnest(@kinds::record_kind[], @ids::uuid[]) AS k(kind, record_id)
CROSS JOIN LATERAL (SELECT x.position FROM record_head AS x
    WHERE x.program_id = @program_id AND x.record_id = k.record_id AND x.kind = k.kind OFFSET 0) AS h` + ledgerAtSQL

// readCurrent queues the newest versions of records on which an item was a
// replay of an older one, or in conflict: the device has to see them.
func (t *tx) readCurrent(k *known, decisions []intake.Decision) {
	var keys []intake.Key
	for i := range decisions {
		if d := &decisions[i]; d.Item.Index >= 0 && (d.Status == intake.Conflict || d.Status == intake.Replayed) {
			keys = append(keys, d.Item.Key())
		}
	}
	if len(keys) > 0 {
		kinds, ids := columns(keys)
		all(t, &k.current, currentEntriesSQL, named{"program_id": t.program, "kinds": kinds, "ids": ids}.pgx())
	}
}

// answers are the decisions in the order of the items, each with what the
// caller may see of it.
func (k *known) answers(caller domain.Caller, p *Push, decisions []intake.Decision) []PushedItem {
	current := map[intake.Key]*domain.Entry{}
	for i := range k.current {
		if e, err := k.current[i].entry(false); err == nil { // without decoding there is nothing to fail
			current[intake.Key{Kind: e.Kind, ID: e.ID}] = &e
		}
	}
	items := make([]PushedItem, len(p.Items))
	for i := range decisions {
		d := &decisions[i]
		if d.Item.Index < 0 {
			continue
		}
		answer := PushedItem{Decision: *d, HeldID: k.heldIDs[d.Item]}
		if p.ValidateOnly {
			answer.Position = 0
		}
		switch {
		case d.Status.Accepted():
			e := entryOf(d, &lockedHead{})
			e.RecordedAt = k.recordedAt
			answer.Entry = &e
		case d.Status == intake.Conflict || d.Status == intake.Replayed:
			answer.Entry = current[d.Item.Key()]
		}
		items[d.Item.Index] = answer
	}
	return items
}

// visible tells whether the caller may see the findings of a job.
func (k *known) visible(caller domain.Caller, job domain.UUID) bool {
	if !caller.Scoped() {
		return true
	}
	stored, ok := k.store.Jobs[job]
	return !ok || stored.KnownTo(caller)
}

const deviceSignSQL = `
INSERT INTO device_sign (program_id, device_id, last_push_at, clock_offset_s, app_name, app_version, schema_revision,
    pending_records_count, pending_photos_count, pending_oldest_at, pending_job_ids)
SELECT @program_id, d.id, @at, @clock_offset_s, @app_name, @app_version, @schema_revision,
    @pending_records_count, @pending_photos_count, @pending_oldest_at, @pending_job_ids
FROM device AS d WHERE d.program_id = @program_id AND d.id = @device_id
ON CONFLICT (program_id, device_id) DO UPDATE SET last_push_at = excluded.last_push_at, clock_offset_s = excluded.clock_offset_s,
    app_name = excluded.app_name, app_version = excluded.app_version, schema_revision = excluded.schema_revision,
    pending_records_count = excluded.pending_records_count, pending_photos_count = excluded.pending_photos_count,
    pending_oldest_at = excluded.pending_oldest_at, pending_job_ids = excluded.pending_job_ids`

// Sign is what a device tells of itself with a push.
type Sign struct {
	AppName, AppVersion string
	Schema              int
	ClockOffsetS        *float64
	PendingRecords      int
	PendingPhotos       int
	PendingOldestAt     *time.Time
	PendingJobs         []domain.UUID
}

// writeSign queues what the device told; a person's push tells nothing.
func (t *tx) writeSign(caller domain.Caller, p *Push) {
	s := p.Sign
	if s == nil || caller.Device.IsZero() {
		return
	}
	t.queue(deviceSignSQL, named{"program_id": t.program, "device_id": caller.Device, "at": t.now, "clock_offset_s": s.ClockOffsetS,
		"app_name": s.AppName, "app_version": s.AppVersion, "schema_revision": s.Schema, "pending_records_count": s.PendingRecords,
		"pending_photos_count": s.PendingPhotos, "pending_oldest_at": s.PendingOldestAt, "pending_job_ids": s.PendingJobs}.pgx())
}

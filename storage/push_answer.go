package storage

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// stillOursSQL: a crew has to merge its late work, and heal a service that lost
// history, on jobs that have left its feed but were given to nobody else.
const stillOursSQL = `
    @role = 'field' AND EXISTS (SELECT FROM job_scope AS s
        WHERE s.program_id = e.program_id AND s.contractor_id = @contractor_id AND s.job_id = e.job_id
            AND s.reason IS DISTINCT FROM 'reassigned' OFFSET 0)`

const currentEntriesSQL = `
SELECT` + entryNames + `
FROM unnest(@kinds::text[], @ids::uuid[], @versions::bigint[]) AS k(kind, record_id, version)
CROSS JOIN LATERAL (SELECT` + visibleSQL + ` OR` + stillOursSQL + ` AS visible
    FROM entry AS e
    WHERE e.program_id = @program_id AND e.record_id = k.record_id AND e.kind = k.kind AND e.until_position IS NULL OFFSET 0) AS h
CROSS JOIN LATERAL (SELECT` + EntryColumns + `
    FROM entry AS e
    WHERE e.program_id = @program_id AND e.record_id = k.record_id AND e.kind = k.kind
        AND (h.visible AND e.until_position IS NULL OR NOT h.visible AND e.version = k.version) OFFSET 0) AS e`

// readCurrent queues the newest versions of records on which an item was a
// replay of an older one, or in conflict: the device has to see them. Who may
// no longer see the record gets back what it sent, and nothing that came later.
func (t *Tx) readCurrent(caller domain.Caller, k *known, decisions []intake.Decision) {
	var keys []intake.Key
	var versions []int64 // 0 of a conflict
	for i := range decisions {
		if d := &decisions[i]; d.Item.Index >= 0 && (d.Status == intake.Conflict || d.Status == intake.Replayed) {
			keys, versions = append(keys, d.Item.Key()), append(versions, d.Version)
		}
	}
	if len(keys) > 0 {
		kinds, ids := columns(keys)
		All(t, &k.current, currentEntriesSQL, scopeArgs(caller, Args{"kinds": kinds, "ids": ids, "versions": versions}))
	}
}

// answers are the decisions in the order of the items, each with what the
// caller may see of it.
func (k *known) answers(caller domain.Caller, p *Push, decisions []intake.Decision) []PushedItem {
	current := map[intake.Key]*domain.Entry{}
	for i := range k.current {
		if e, err := k.current[i].Entry(false); err == nil { // without decoding there is nothing to fail
			current[intake.Key{Kind: e.Kind, ID: e.ID}] = &e
		}
	}
	numbers := make(map[domain.UUID]int64, len(k.numbers))
	for _, n := range k.numbers {
		numbers[n.ID] = n.Number
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
		if k.heldFull[d.Item] {
			answer.Status, answer.Problem = intake.Retry, errHeldFull
		}
		switch {
		case d.Status.Accepted():
			e := entryOf(d, &lockedHead{})
			e.RecordedAt = k.recordedAt
			if e.Kind == domain.JobKind {
				e.Number = numbers[e.ID]
			}
			if e.Kind == domain.PhotoKind && e.Version == 1 {
				e.BytesState = domain.BytesAwaited
			}
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
UPDATE device SET last_push_at = @at, clock_offset_s = @clock_offset_s, app_name = @app_name, app_version = @app_version,
    schema_revision = @schema_revision, pending_records_count = @pending_records_count, pending_photos_count = @pending_photos_count,
    pending_oldest_at = @pending_oldest_at, pending_job_ids = @pending_job_ids
WHERE program_id = @program_id AND id = @device_id`

// DeviceReport is what a device tells of itself with a push.
type DeviceReport struct {
	AppName, AppVersion string
	Schema              int
	ClockOffsetS        *float64
	PendingRecords      int
	PendingPhotos       int
	PendingOldestAt     *time.Time
	PendingJobs         []domain.UUID
}

// writeReport queues what the device told; a person's push tells nothing.
func (t *Tx) writeReport(caller domain.Caller, p *Push) {
	s := p.Report
	if s == nil || caller.Device.IsZero() {
		return
	}
	t.Queue(deviceSignSQL, Args{"program_id": t.Program, "device_id": caller.Device, "at": t.Now, "clock_offset_s": s.ClockOffsetS,
		"app_name": s.AppName, "app_version": s.AppVersion, "schema_revision": s.Schema, "pending_records_count": s.PendingRecords,
		"pending_photos_count": s.PendingPhotos, "pending_oldest_at": s.PendingOldestAt, "pending_job_ids": s.PendingJobs})
}

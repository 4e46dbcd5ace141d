package storage

import (
	"ductledger/domain/intake"
)

// Two pushes that overlap do not see each other: one brings a record, the other
// an item that refers to it. The program's head is locked one after the other,
// so the second of the two looks again under that lock and finds the first's:
// a record for which one of its items waits, or a held item that waits for one
// of its records. It is then run again from the beginning.
const cameSQL = `
SELECT EXISTS (SELECT FROM unnest(@missing_kinds::text[], @missing_ids::uuid[], @missing_versions::bigint[]) AS k(kind, record_id, version)
        LEFT JOIN LATERAL (SELECT x.version FROM entry AS x
            WHERE x.program_id = @program_id AND x.record_id = k.record_id AND x.kind = k.kind AND x.until_position IS NULL OFFSET 0) AS h ON true
        WHERE coalesce(h.version, 0) <> k.version)
    OR EXISTS (SELECT FROM unnest(@came_kinds::text[], @came_ids::uuid[]) AS k(kind, record_id)
        CROSS JOIN LATERAL (SELECT x.held_id FROM held AS x
            WHERE x.program_id = @program_id AND x.missing_id = k.record_id AND x.missing_kind = k.kind AND x.state = 'waiting' OFFSET 0) AS h
        WHERE h.held_id <> ALL (@along::uuid[])) AS came`

type cameRow struct{ Came bool }

// waitsFor are the records for which items wait.
func waitsFor(decisions []intake.Decision) (keys []intake.Key) {
	for i := range decisions {
		if d := &decisions[i]; d.Status == intake.Waiting {
			keys = append(keys, intake.Key{Kind: d.Missing.Kind, ID: d.Missing.ID})
		}
	}
	return keys
}

// cameArgs compare with what was read: the versions of the records that are
// waited for, 0 where there was none, and the held items that were taken along.
func (k *known) cameArgs(plan *plan, waits []intake.Key) Args {
	kinds, ids := columns(waits)
	versions := make([]int64, len(waits))
	for i, key := range waits {
		versions[i] = k.store.Heads[key].Version
	}
	along := make([][16]byte, len(k.along))
	for i, item := range k.along {
		along[i] = item.HeldID
	}
	cameKinds, cameIDs := columns(plan.came)
	return Args{"program_id": k.program.ID, "missing_kinds": kinds, "missing_ids": ids, "missing_versions": versions,
		"came_kinds": cameKinds, "came_ids": cameIDs, "along": along}
}

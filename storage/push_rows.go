package storage

import (
	"encoding/json"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/intake"

	"github.com/jackc/pgx/v5/pgconn"
)

// storeRecords queues the typed rows of the newest accepted versions, those of
// new records and those of known ones in one statement each a kind, parents
// before children. To look for a row first that cannot be there, as ON CONFLICT
// does, would cost a third of a whole job's writing.
func (t *tx) storeRecords(accepted []intake.Decision) {
	rows := map[domain.Kind]*struct{ fresh, known kindRows }{}
	for _, v := range newestOf(accepted) {
		kind := rows[v.Item.Kind]
		if kind == nil {
			kind = &struct{ fresh, known kindRows }{}
			rows[v.Item.Kind] = kind
		}
		if v.fresh {
			kind.fresh.add(v.Decision)
		} else {
			kind.known.add(v.Decision)
		}
	}
	for _, row := range domain.Kinds {
		if kind := rows[row.Kind]; kind != nil {
			t.storeRows(kindsSQL[row.Kind].insert, kind.fresh)
			t.storeRows(kindsSQL[row.Kind].upsert, kind.known)
		}
	}
}

func (t *tx) storeRows(sql string, rows kindRows) {
	if rows.count == 0 {
		return
	}
	t.queue(sql, named{"program_id": t.program, "rows": json.RawMessage(append(rows.text, ']'))}).Exec(func(tag pgconn.CommandTag) error {
		if tag.RowsAffected() != rows.count {
			return errRaceLost // another push made one of these versions meanwhile
		}
		return nil
	})
}

// A newVersion is the newest version that a push makes of a record, which is
// fresh when none was stored before.
type newVersion struct {
	*intake.Decision
	fresh bool
}

// newestOf are the newest versions of what was accepted, each record once, in
// the order of those versions.
func newestOf(accepted []intake.Decision) []newVersion {
	last, fresh := make(map[intake.Key]int, len(accepted)), make(map[intake.Key]bool, len(accepted))
	for i := range accepted {
		d := &accepted[i]
		last[d.Item.Key()] = i
		if d.Version == 1 {
			fresh[d.Item.Key()] = true
		}
	}
	newest := make([]newVersion, 0, len(last))
	for i := range accepted {
		if d := &accepted[i]; last[d.Item.Key()] == i {
			newest = append(newest, newVersion{d, fresh[d.Item.Key()]})
		}
	}
	return newest
}

// kindRows are records of one kind as the JSON array that its statements take:
// of each its id, version and void, and beside them its own fields, which never
// have these names.
type kindRows struct {
	text  []byte
	count int64
}

func (r *kindRows) add(d *intake.Decision) {
	open := byte(',')
	if r.count == 0 {
		open = '['
	}
	b := append(r.text, open)
	b = append(b, `{"id":"`...)
	b = d.Item.ID.Append(b)
	b = append(b, `","version":`...)
	b = strconv.AppendInt(b, d.Version, 10)
	b = append(b, `,"void":`...)
	b = strconv.AppendBool(b, d.Void != nil)
	if string(d.Body) != "{}" {
		b = append(b, ',')
	}
	r.text, r.count = append(b, d.Body[1:]...), r.count+1
}

const recordHeadInsertSQL = `
INSERT INTO record_head (program_id, kind, record_id, job_id, contractor_id, position, version, void)
SELECT @program_id, x.kind, x.record_id, x.job_id, x.contractor_id, x.position, x.version, x.void
FROM unnest(@kinds::record_kind[], @record_ids::uuid[], @job_ids::uuid[], @contractor_ids::uuid[], @positions::bigint[],
    @versions::bigint[], @voids::boolean[])
    AS x(kind, record_id, job_id, contractor_id, position, version, void)`

const recordHeadUpdateSQL = `
UPDATE record_head AS h SET contractor_id = x.contractor_id, position = x.position, version = x.version, void = x.void
FROM unnest(@kinds::record_kind[], @record_ids::uuid[], @contractor_ids::uuid[], @positions::bigint[], @versions::bigint[],
    @voids::boolean[]) AS x(kind, record_id, contractor_id, position, version, void)
WHERE h.program_id = @program_id AND h.record_id = x.record_id AND h.kind = x.kind`

// writeHeads queues the heads of what was accepted, which have their positions.
func (t *tx) writeHeads(accepted []intake.Decision) {
	var fresh, known headColumns
	for _, v := range newestOf(accepted) {
		if v.fresh {
			fresh.add(v.Decision)
		} else {
			known.add(v.Decision)
		}
	}
	t.writeHeadRows(recordHeadInsertSQL, &fresh)
	t.writeHeadRows(recordHeadUpdateSQL, &known)
}

// headColumns are the heads of records column by column.
type headColumns struct {
	kinds               []string
	ids                 [][16]byte
	jobs, contractors   []*[16]byte
	positions, versions []int64
	voids               []bool
}

func (h *headColumns) add(d *intake.Decision) {
	h.kinds, h.ids = append(h.kinds, string(d.Item.Kind)), append(h.ids, d.Item.ID)
	h.jobs, h.contractors = append(h.jobs, idArg(d.JobID)), append(h.contractors, idArg(d.ContractorID))
	h.positions, h.versions = append(h.positions, d.Position), append(h.versions, d.Version)
	h.voids = append(h.voids, d.Void != nil)
}

func (t *tx) writeHeadRows(sql string, h *headColumns) {
	asked := int64(len(h.ids))
	if asked == 0 {
		return
	}
	t.queue(sql, named{"program_id": t.program, "kinds": h.kinds, "record_ids": h.ids, "job_ids": h.jobs, "contractor_ids": h.contractors,
		"positions": h.positions, "versions": h.versions, "voids": h.voids}).Exec(func(tag pgconn.CommandTag) error {
		if tag.RowsAffected() != asked {
			return errRaceLost
		}
		return nil
	})
}

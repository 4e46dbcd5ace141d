package storage

import (
	"maps"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// heldColumnsOf are held items column by column, as unnest takes them.
type heldColumnsOf struct {
	ids, recordIDs, jobs, missingIDs, devices []*[16]byte
	states, codes, problems                   []string
	kinds, missingKinds                       []*string
	bases                                     []int64
	digests, bytes                            [][]byte
	receivedAts                               []time.Time
	offsets                                   []*float64
}

func (h *heldColumnsOf) add(d *intake.Decision, id domain.UUID) error {
	problem, err := problemText(d.Problem)
	if err != nil {
		return err
	}
	state := "open"
	if d.Status == intake.Waiting {
		state = "waiting"
	}
	item := d.Item
	h.ids, h.recordIDs, h.jobs = append(h.ids, idArg(id)), append(h.recordIDs, idArg(item.ID)), append(h.jobs, idArg(jobOfItem(d)))
	h.missingIDs, h.devices = append(h.missingIDs, idArg(d.Missing.ID)), append(h.devices, idArg(item.DeviceID))
	h.states, h.codes, h.problems = append(h.states, state), append(h.codes, string(d.Problem.Code)), append(h.problems, problem)
	h.kinds, h.missingKinds = append(h.kinds, OrNull(string(item.Kind))), append(h.missingKinds, OrNull(string(d.Missing.Kind)))
	h.bases = append(h.bases, item.BaseVersion)
	h.digests, h.bytes = append(h.digests, heldDigest(item)), append(h.bytes, item.Raw)
	h.receivedAts, h.offsets = append(h.receivedAts, item.ReceivedAt), append(h.offsets, item.ClockOffsetS)
	return nil
}

func (h *heldColumnsOf) args(base Args) Args {
	args := maps.Clone(base)
	maps.Copy(args, Args{"held_ids": h.ids, "states": h.states, "kinds": h.kinds, "record_ids": h.recordIDs, "base_versions": h.bases,
		"digests": h.digests, "bytes": h.bytes, "codes": h.codes, "problems": h.problems, "job_ids": h.jobs,
		"missing_kinds": h.missingKinds, "missing_ids": h.missingIDs, "device_ids": h.devices,
		"received_ats": h.receivedAts, "clock_offsets": h.offsets})
	return args
}

// jobOfItem is the job that a held item concerns, as far as it can be told.
func jobOfItem(d *intake.Decision) domain.UUID {
	switch {
	case !d.JobID.IsZero():
		return d.JobID
	case d.Item.Kind == domain.JobKind:
		return d.Item.ID
	case d.Item.Record != nil:
		return d.Item.Record.Job()
	}
	return domain.UUID{}
}

// heldVersions are held items with the versions that closed them.
type heldVersions struct {
	ids      []domain.UUID
	versions []int64
}

func (h *heldVersions) add(id domain.UUID, version int64) {
	h.ids, h.versions = append(h.ids, id), append(h.versions, version)
}

func (h *heldVersions) args(base Args) Args {
	args := maps.Clone(base)
	maps.Copy(args, Args{"held_ids": h.ids, "versions": h.versions})
	return args
}

// heldCorrected are accepted records that may correct a rejected item.
type heldCorrected struct {
	kinds    []string
	ids      []domain.UUID
	versions []int64
	devices  []*[16]byte
}

func (h *heldCorrected) add(d *intake.Decision) {
	h.kinds, h.ids = append(h.kinds, string(d.Item.Kind)), append(h.ids, d.Item.ID)
	h.versions, h.devices = append(h.versions, d.Version), append(h.devices, idArg(d.Item.DeviceID))
}

func (h *heldCorrected) args(base Args) Args {
	args := maps.Clone(base)
	maps.Copy(args, Args{"kinds": h.kinds, "record_ids": h.ids, "versions": h.versions, "device_ids": h.devices})
	return args
}

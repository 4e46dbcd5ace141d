package storage

import (
	"cmp"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// ResultInputs is what job_result.inputs holds: with the ledger it is all that
// the row was made from, so that it can be made again.
type ResultInputs struct {
	Records []int64   `json:"records"` // positions of the job's records
	Outside []int64   `json:"outside"` // positions of home, contractor, people, papers, instruments
	Facts   factsUsed `json:"facts"`
}

// factsUsed are the facts of a result that stand in no record of their own:
// what other jobs, devices and counts said at that moment.
type factsUsed struct {
	HomesLed    []homesLedUsed   `json:"homes_led,omitempty"` // of the people of this job's visits
	Earlier     []earlierUsed    `json:"earlier_jobs,omitempty"`
	SamePhotos  []samePhotoUsed  `json:"same_photos,omitempty"`
	SameTests   []domain.UUID    `json:"same_readings_job_ids,omitempty"`
	Pending     []pendingUsed    `json:"pending_devices,omitempty"`
	OtherVisits []otherVisitUsed `json:"other_visits,omitempty"`
	LateSince   int64            `json:"late_since,omitzero"` // of a correction: the position behind which late work was left out
	LikePhotos  []likePhotoUsed  `json:"like_photos,omitempty"`
	// Photos whose pictures had not arrived; only where something waits for them.
	PicturesOwed []domain.UUID `json:"pictures_owed,omitempty"`
}

type homesLedUsed struct {
	CrewMemberID domain.UUID `json:"crew_member_id"`
	HomesCount   int         `json:"homes_count"`
}

type earlierUsed struct {
	JobID      domain.UUID `json:"job_id"`
	AcceptedOn domain.Date `json:"accepted_on"`
}

type samePhotoUsed struct {
	SHA256 string        `json:"sha256"`
	JobIDs []domain.UUID `json:"job_ids"`
}

type pendingUsed struct {
	DeviceID     domain.UUID `json:"device_id"`
	RecordsCount int         `json:"records_count"`
	PhotosCount  int         `json:"photos_count"`
}

type otherVisitUsed struct {
	CrewMemberID domain.UUID `json:"crew_member_id"`
	JobID        domain.UUID `json:"job_id"`
	ArrivedAt    time.Time   `json:"arrived_at"`
	LeftAt       time.Time   `json:"left_at"`
}

type likePhotoUsed struct {
	PhotoID      domain.UUID `json:"photo_id"`
	OtherPhotoID domain.UUID `json:"other_photo_id"`
	OtherJobID   domain.UUID `json:"other_job_id"`
	DifferBits   int         `json:"differ_bits"`
}

// factsUsed are those of the judged job, in a fixed order.
func (j *judgedJob) factsUsed() (f factsUsed) {
	if j.corrected {
		f.LateSince = *j.touched.standing.LateSince
	}
	for _, member := range j.people() {
		if n := j.outside.HomesLed[member]; n > 0 {
			f.HomesLed = append(f.HomesLed, homesLedUsed{member, n})
		}
	}
	for _, e := range j.outside.Earlier {
		f.Earlier = append(f.Earlier, earlierUsed(e))
	}
	for _, p := range j.outside.SamePhotos {
		f.SamePhotos = append(f.SamePhotos, samePhotoUsed{p.SHA256, sortedIDs(p.JobIDs)})
	}
	f.SameTests = sortedIDs(j.outside.SameTests)
	for _, d := range j.outside.Pending {
		f.Pending = append(f.Pending, pendingUsed(d))
	}
	for _, v := range j.outside.OtherVisits {
		f.OtherVisits = append(f.OtherVisits, otherVisitUsed(v))
	}
	for _, l := range j.outside.LikePhotos {
		f.LikePhotos = append(f.LikePhotos, likePhotoUsed(l))
	}
	if j.set != nil && j.set.AwaitsPictures() {
		for i := range j.entries {
			if e := &j.entries[i]; e.BytesState.Owed() {
				f.PicturesOwed = append(f.PicturesOwed, e.ID)
			}
		}
		f.PicturesOwed = sortedIDs(f.PicturesOwed)
	}
	slices.SortFunc(f.LikePhotos, func(a, b likePhotoUsed) int {
		return cmp.Or(a.PhotoID.Compare(b.PhotoID), a.OtherPhotoID.Compare(b.OtherPhotoID))
	})
	slices.SortFunc(f.Earlier, func(a, b earlierUsed) int { return a.JobID.Compare(b.JobID) })
	slices.SortFunc(f.SamePhotos, func(a, b samePhotoUsed) int { return cmp.Compare(a.SHA256, b.SHA256) })
	slices.SortFunc(f.Pending, func(a, b pendingUsed) int { return a.DeviceID.Compare(b.DeviceID) })
	slices.SortFunc(f.OtherVisits, func(a, b otherVisitUsed) int {
		return cmp.Or(a.JobID.Compare(b.JobID), a.CrewMemberID.Compare(b.CrewMemberID), a.ArrivedAt.Compare(b.ArrivedAt))
	})
	return f
}

// people are the leads and crews of the job's visits, once each, by id.
func (j *judgedJob) people() (ids []domain.UUID) {
	for _, v := range j.assembled.Visits {
		if v.Record.LeadID != nil {
			ids = append(ids, *v.Record.LeadID)
		}
		ids = append(ids, v.Record.CrewIDs...)
	}
	return slices.Compact(sortedIDs(ids))
}

func sortedIDs(ids []domain.UUID) []domain.UUID {
	return slices.SortedFunc(slices.Values(ids), domain.UUID.Compare)
}

// outside is what the facts and the records outside a job were.
func (f *factsUsed) outside(zone *time.Location, entries []domain.Entry) rules.Outside {
	o := rules.Outside{Zone: zone, Entries: entries, HomesLed: make(map[domain.UUID]int, len(f.HomesLed)), SameTests: f.SameTests}
	for _, h := range f.HomesLed {
		o.HomesLed[h.CrewMemberID] = h.HomesCount
	}
	for _, e := range f.Earlier {
		o.Earlier = append(o.Earlier, rules.EarlierJob(e))
	}
	for _, p := range f.SamePhotos {
		o.SamePhotos = append(o.SamePhotos, rules.SamePhoto(p))
	}
	for _, d := range f.Pending {
		o.Pending = append(o.Pending, rules.PendingDevice(d))
	}
	for _, v := range f.OtherVisits {
		o.OtherVisits = append(o.OtherVisits, rules.OtherVisit(v))
	}
	for _, l := range f.LikePhotos {
		o.LikePhotos = append(o.LikePhotos, rules.LikePhoto(l))
	}
	return o
}

// setPictures gives the photos among a job's records the state that their
// pictures had then: arrived, but for those that are named.
func (f *factsUsed) setPictures(entries []domain.Entry) {
	for i := range entries {
		if e := &entries[i]; e.Kind == domain.PhotoKind {
			e.BytesState = domain.BytesStored
			if slices.Contains(f.PicturesOwed, e.ID) {
				e.BytesState = domain.BytesAwaited
			}
		}
	}
}

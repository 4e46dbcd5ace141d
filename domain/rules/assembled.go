package rules

import (
	"cmp"
	"iter"
	"slices"
	"time"

	"ductledger/domain"
)

// Of is one record of a job: its facts, and what the service knows of it.
type Of[T any] struct {
	*domain.Entry
	Record *T
}

// Subject names the record.
func (o Of[T]) Subject() domain.Subject { return domain.Subject{Kind: o.Entry.Record.Kind(), ID: o.ID} }

// Outside are the facts about a job that stand in no record of it.
type Outside struct {
	Zone *time.Location // in which the program's days begin; nil: each time's own offset
	// Records that belong to no job: home, contractor, crew members,
	// credentials, instruments.
	Entries []domain.Entry
	// HomesLed are the homes that a crew member led since the program
	// records them, this one not counted.
	HomesLed    map[domain.UUID]int
	Earlier     []EarlierJob    // accepted jobs at this home before this one
	SamePhotos  []SamePhoto     // digests of this job's photos that other homes show too
	LikePhotos  []LikePhoto     // pictures of other homes that look like one of this job's
	SameTests   []domain.UUID   // jobs at other homes with the same readings to the digit
	Pending     []PendingDevice // devices that said they still hold work of this job
	OtherVisits []OtherVisit    // of this job's people to other homes on the same days
	// JobNumbers are the numbers by which people call those other jobs.
	JobNumbers map[domain.UUID]int64
	// Past are versions of this job's records that were replaced: the first one
	// of what tells a time, and those that stood when the job was last returned.
	Past []domain.Entry
}

// EarlierJob is accepted duct sealing at the same home.
type EarlierJob struct {
	JobID      domain.UUID
	AcceptedOn domain.Date
}

// SamePhoto is one picture that was sent for several homes.
type SamePhoto struct {
	SHA256 string
	JobIDs []domain.UUID
}

// LikePhoto is a picture of another home that looks like one of this job's.
type LikePhoto struct {
	PhotoID      domain.UUID
	OtherPhotoID domain.UUID
	OtherJobID   domain.UUID
	DifferBits   int // of the 64 that tell pictures apart
}

// PendingDevice is a device with work that has not come in.
type PendingDevice struct {
	DeviceID     domain.UUID
	RecordsCount int
	PhotosCount  int
}

// OtherVisit is a visit of one crew member to another home.
type OtherVisit struct {
	CrewMemberID domain.UUID
	JobID        domain.UUID
	ArrivedAt    time.Time
	LeftAt       time.Time
}

// ordered puts the lists into a fixed order, of copies: their order changes
// nothing.
func (o Outside) ordered() Outside {
	o.Earlier = ordered(o.Earlier, func(x, y EarlierJob) int { return x.JobID.Compare(y.JobID) })
	o.SamePhotos = ordered(o.SamePhotos, func(x, y SamePhoto) int { return cmp.Compare(x.SHA256, y.SHA256) })
	o.LikePhotos = ordered(o.LikePhotos, func(x, y LikePhoto) int {
		return cmp.Or(x.PhotoID.Compare(y.PhotoID), x.OtherJobID.Compare(y.OtherJobID), x.OtherPhotoID.Compare(y.OtherPhotoID))
	})
	o.SameTests = ordered(o.SameTests, domain.UUID.Compare)
	o.Pending = ordered(o.Pending, func(x, y PendingDevice) int { return x.DeviceID.Compare(y.DeviceID) })
	o.OtherVisits = ordered(o.OtherVisits, func(x, y OtherVisit) int {
		return cmp.Or(x.JobID.Compare(y.JobID), x.CrewMemberID.Compare(y.CrewMemberID), x.ArrivedAt.Compare(y.ArrivedAt))
	})
	o.Past = ordered(o.Past, func(x, y domain.Entry) int { return cmp.Or(x.ID.Compare(y.ID), cmp.Compare(x.Version, y.Version)) })
	for i := range o.SamePhotos {
		o.SamePhotos[i].JobIDs = ordered(o.SamePhotos[i].JobIDs, domain.UUID.Compare)
	}
	return o
}

func ordered[T any](list []T, compare func(x, y T) int) []T {
	list = slices.Clone(list)
	slices.SortStableFunc(list, compare)
	return list
}

// Assembled is a job with all that its rules look at. Each list is ordered by
// id and holds what counts: nothing voided, and of measurements and photos
// only those in force.
type Assembled struct {
	ID      domain.UUID
	Job     Of[domain.Job]
	Home    Of[domain.Home] // Record is nil when the home is not known here
	Outside Outside

	Visits       []Of[domain.Visit]
	Components   []Of[domain.Component]
	Crossovers   []Of[domain.Crossover]
	Openings     []Of[domain.Opening]
	Repairs      []Of[domain.Repair] // as they stand: without the parts that a later one did again
	Redone       []Of[domain.Repair] // of which nothing stands any more
	Isolations   []Of[domain.EnergyIsolation]
	Measurements []Of[domain.Measurement]
	Photos       []Of[domain.Photo]
	Waivers      []Of[domain.Waiver]
	Reviews      []Of[domain.Review]
	Inspections  []Of[domain.Inspection]
	CallBacks    []Of[domain.CallBack]
	Appointments []Of[domain.Appointment]

	Contractors []Of[domain.Contractor]
	Members     []Of[domain.CrewMember]
	Credentials []Of[domain.Credential]
	Instruments []Of[domain.Instrument]

	Superseded []*domain.Entry // measurements and photos that something in force replaces
	Disputed   []Dispute       // replaced by two at once: neither is in force
	Voided     []*domain.Entry

	repairs []mention // of parts by repairs, ordered by part
	shots   []mention // of records by photos, ordered by record
}

// Dispute is one record with the two or more in force that replace it.
type Dispute struct {
	Kind     domain.Kind
	Replaced domain.UUID
	By       []*domain.Entry // ordered by id
}

// Assemble sorts the newest versions of a job's records into place. The
// result refers to the entries and changes none of them.
//
// Refused: an entry without a record, one of another job, two of one record,
// and a job that is not among its entries.
func Assemble(jobID domain.UUID, entries []domain.Entry, outside Outside) (*Assembled, error) {
	a := &Assembled{ID: jobID, Outside: outside.ordered()}
	ordered := make([]*domain.Entry, 0, len(entries)+len(outside.Entries))
	for i := range entries {
		ordered = append(ordered, &entries[i])
	}
	for i := range outside.Entries {
		ordered = append(ordered, &outside.Entries[i])
	}
	slices.SortFunc(ordered, func(x, y *domain.Entry) int { return x.ID.Compare(y.ID) })
	for i, e := range ordered {
		if e.Record == nil {
			return nil, domain.At("/items", domain.Invalid, "%s %s has no record", e.Kind, e.ID)
		}
		if r, ok := e.Record.(*domain.Job); ok && e.ID == jobID {
			a.Job = Of[domain.Job]{e, r}
		}
		for j := i - 1; j >= 0 && ordered[j].ID == e.ID; j-- {
			if ordered[j].Record.Kind() == e.Record.Kind() {
				return nil, domain.At("/items", domain.Invalid, "%s %s stands twice in the job", e.Record.Kind(), e.ID)
			}
		}
	}
	if a.Job.Record == nil {
		return nil, domain.At("/items", domain.Invalid, "job %s is not among its records", jobID)
	}
	for _, e := range ordered {
		if of := e.Record.Job(); !of.IsZero() && of != jobID {
			return nil, domain.At("/items", domain.Invalid, "%s %s belongs to job %s, not to %s", e.Record.Kind(), e.ID, of, jobID)
		}
		if e.Void != nil && e.ID != jobID {
			a.Voided = append(a.Voided, e)
			continue
		}
		a.place(e)
	}
	a.Measurements = inForce(a, a.Measurements, func(m *domain.Measurement) *domain.UUID { return m.Replaces })
	a.standing()
	a.Photos = inForce(a, a.Photos, func(p *domain.Photo) *domain.UUID { return p.Replaces })
	a.index()
	return a, nil
}

// place puts one entry into the list of its kind. Kinds that no rule reads
// are left out.
func (a *Assembled) place(e *domain.Entry) {
	switch r := e.Record.(type) {
	case *domain.Home:
		if e.ID == a.Job.Record.HomeID {
			a.Home = Of[domain.Home]{e, r}
		}
	case *domain.Visit:
		a.Visits = append(a.Visits, Of[domain.Visit]{e, r})
	case *domain.Component:
		a.Components = append(a.Components, Of[domain.Component]{e, r})
	case *domain.Crossover:
		a.Crossovers = append(a.Crossovers, Of[domain.Crossover]{e, r})
	case *domain.Opening:
		a.Openings = append(a.Openings, Of[domain.Opening]{e, r})
	case *domain.Repair:
		a.Repairs = append(a.Repairs, Of[domain.Repair]{e, r})
	case *domain.EnergyIsolation:
		a.Isolations = append(a.Isolations, Of[domain.EnergyIsolation]{e, r})
	case *domain.Measurement:
		a.Measurements = append(a.Measurements, Of[domain.Measurement]{e, r})
	case *domain.Photo:
		a.Photos = append(a.Photos, Of[domain.Photo]{e, r})
	case *domain.Waiver:
		a.Waivers = append(a.Waivers, Of[domain.Waiver]{e, r})
	case *domain.Review:
		a.Reviews = append(a.Reviews, Of[domain.Review]{e, r})
	case *domain.Inspection:
		a.Inspections = append(a.Inspections, Of[domain.Inspection]{e, r})
	case *domain.CallBack:
		a.CallBacks = append(a.CallBacks, Of[domain.CallBack]{e, r})
	case *domain.Appointment:
		a.Appointments = append(a.Appointments, Of[domain.Appointment]{e, r})
	case *domain.Contractor:
		a.Contractors = append(a.Contractors, Of[domain.Contractor]{e, r})
	case *domain.CrewMember:
		a.Members = append(a.Members, Of[domain.CrewMember]{e, r})
	case *domain.Credential:
		a.Credentials = append(a.Credentials, Of[domain.Credential]{e, r})
	case *domain.Instrument:
		a.Instruments = append(a.Instruments, Of[domain.Instrument]{e, r})
	}
}

// inForce keeps the records that count. A record is superseded as soon as one
// that is not voided replaces it, whatever happened to that one since: a
// correction of a correction does not bring the first reading back. Where two
// in force replace one, nothing can be computed from either until one of them
// is voided or itself replaced.
func inForce[T any](a *Assembled, all []Of[T], replaces func(*T) *domain.UUID) []Of[T] {
	var replacing []Of[T]
	for _, o := range all {
		if replaces(o.Record) != nil {
			replacing = append(replacing, o)
		}
	}
	if len(replacing) == 0 {
		return all
	}
	superseded := func(id domain.UUID) bool {
		return slices.ContainsFunc(replacing, func(o Of[T]) bool { return *replaces(o.Record) == id && o.ID != id })
	}
	standing := make([]Of[T], 0, len(all))
	for _, o := range all {
		if superseded(o.ID) {
			a.Superseded = append(a.Superseded, o.Entry)
		} else {
			standing = append(standing, o)
		}
	}
	rivals := func(id domain.UUID) (by []*domain.Entry) {
		for _, o := range standing {
			if r := replaces(o.Record); r != nil && *r == id {
				by = append(by, o.Entry)
			}
		}
		return by
	}
	counted := standing[:0:0]
	for _, o := range standing {
		r := replaces(o.Record)
		if r == nil {
			counted = append(counted, o)
			continue
		}
		by := rivals(*r)
		if len(by) < 2 {
			counted = append(counted, o)
		} else if by[0].ID == o.ID {
			a.Disputed = append(a.Disputed, Dispute{o.Entry.Record.Kind(), *r, by})
		}
	}
	return counted
}

// standing takes from each repair the parts that a later one did again. What
// names no part does all of the earlier one again. Records are copied before
// they are changed.
func (a *Assembled) standing() {
	if !slices.ContainsFunc(a.Repairs, func(r Of[domain.Repair]) bool { return r.Record.RedoesID != nil }) {
		return
	}
	all := a.Repairs
	again := slices.Clone(all)
	for i, r := range all {
		if r.Record.RedoesID == nil {
			continue
		}
		n := slices.IndexFunc(all, func(o Of[domain.Repair]) bool { return o.ID == *r.Record.RedoesID })
		if n < 0 || !r.Record.DoneAt.After(all[n].Record.DoneAt) {
			continue
		}
		if len(r.Record.ComponentIDs) == 0 && r.Record.CrossoverID == nil {
			whole := *r.Record
			whole.ComponentIDs, whole.CrossoverID = all[n].Record.ComponentIDs, all[n].Record.CrossoverID
			r.Record, again[i].Record = &whole, &whole
		}
		rest := *again[n].Record
		rest.ComponentIDs = slices.DeleteFunc(slices.Clone(rest.ComponentIDs), func(id domain.UUID) bool { return slices.Contains(r.Record.ComponentIDs, id) })
		if rest.CrossoverID != nil && r.Record.CrossoverID != nil && *rest.CrossoverID == *r.Record.CrossoverID {
			rest.CrossoverID = nil
		}
		again[n].Record = &rest
	}
	a.Repairs = make([]Of[domain.Repair], 0, len(all))
	for i, r := range again {
		if len(r.Record.ComponentIDs) == 0 && r.Record.CrossoverID == nil && (len(all[i].Record.ComponentIDs) > 0 || all[i].Record.CrossoverID != nil) {
			a.Redone = append(a.Redone, all[i])
		} else {
			a.Repairs = append(a.Repairs, r)
		}
	}
}

// done yields all repairs, those too that were done again: how people worked
// is judged of each.
func (a *Assembled) done() iter.Seq[Of[domain.Repair]] {
	return func(yield func(Of[domain.Repair]) bool) {
		for _, r := range a.Repairs {
			if !yield(r) {
				return
			}
		}
		for _, r := range a.Redone {
			if !yield(r) {
				return
			}
		}
	}
}

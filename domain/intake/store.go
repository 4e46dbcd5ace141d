package intake

import (
	"slices"

	"ductledger/domain"
	"ductledger/domain/ledger"
)

// Head is the newest stored version of a record.
type Head struct {
	Version      int64
	Position     int64
	JobID        domain.UUID // of a job its own id
	ContractorID domain.UUID // of what belongs to a contractor and to no job
	Void         bool
}

// Job is what a decision needs of a job.
type Job struct {
	Head
	Record  domain.Job
	Body    []byte
	Holders []domain.UUID // the contractors that have or once had it
	Drawn   bool          // it is or was open for inspection
	// Inspector is the person who alone inspects it; zero: any inspector.
	Inspector domain.UUID
	// WorkedBy are the persons who recorded work on it, WorkerNames those who
	// were there, as PersonKey writes them.
	WorkedBy    []domain.UUID
	WorkerNames []string
	// PassedOn is the day of the last inspection after the work that passed, Failures
	// are those that failed.
	PassedOn domain.Date
	Failures []domain.UUID
	// Inspected tells that it has a reading of an inspector.
	Inspected bool
	// StartedByCrew tells that a crew began it and the office has not said
	// since that it knows of it: until then nobody outside the office sees who
	// lives there.
	StartedByCrew bool
}

// KnownTo tells whether the caller may know of the job: the agency's roles
// always, a contractor's when it has or once had it, an inspector when it is
// or once was open to him: a photo may come after the finished inspection.
func (j *Job) KnownTo(caller domain.Caller) bool {
	switch {
	case !caller.Scoped():
		return true
	case caller.Role == domain.Inspector:
		return j.Drawn && (j.Inspector.IsZero() || j.Inspector == caller.Person)
	}
	return slices.Contains(j.Holders, caller.Contractor)
}

// VersionKey names one version of a record.
type VersionKey struct {
	Key
	Version int64
}

// Content is what a version said, apart from how it was written.
type Content struct {
	Digest ledger.Digest
	Texts  []string // of a void those of its record too, the reason last
	Erased bool     // the texts, and cannot be compared
}

// says tells whether the item says the same. Where the texts are erased the
// rest decides: as a conflict the item would bring them back.
func (c *Content) says(item *Item) bool {
	if c.Digest != item.Digest {
		return false
	}
	texts := c.Texts
	if item.Void != "" && len(texts) > 0 {
		texts = texts[len(texts)-1:]
	}
	if len(item.Keep) > 0 { // an older app: the version has also texts of members that it does not know
		return c.Erased || within(item.Texts, texts)
	}
	return c.Erased || slices.Equal(texts, item.Texts)
}

// within tells whether all of the list stand in the other one, in their order.
func within(list, other []string) bool {
	for _, text := range other {
		if len(list) > 0 && list[0] == text {
			list = list[1:]
		}
	}
	return len(list) == 0
}

// Store is what is stored of all that a batch touches or refers to, as read
// under lock.
type Store struct {
	Heads map[Key]Head
	Jobs  map[domain.UUID]Job
	// Contents of the versions base_version + 1 and of the newest, which tell a replay.
	Contents map[VersionKey]Content
	// OpenHomes are the homes that have an open job.
	OpenHomes map[domain.UUID]bool
	// Homes on which the caller's contractor has an open job.
	OwnHomes map[domain.UUID]bool
	// Replaced tells of measurements and photos what they are, for replaces.
	Replaced map[domain.UUID]Replaceable
	RuleSets map[domain.UUID]domain.Date // the days from which stored rule sets count, without voided ones
	InForce  *domain.RuleSet             // today; nil: nothing is asked
	Ended    map[domain.UUID]domain.Date // the last days of contractors that have one
	Homes    map[domain.UUID]domain.Home // facts of the stored homes that jobs and items name
	Devices  map[domain.UUID]domain.DeviceState
	Today    domain.Date // where the program works: a new rule set begins later
}

// Replaceable is what the record that replaces another must have in common
// with it, and what that one replaces itself.
type Replaceable struct {
	Job      domain.UUID
	Method   domain.Method
	Replaces domain.UUID
}

package storage

import (
	"cmp"
	"slices"

	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
)

// elsewhere adds what other homes have in common with a job, of which entries
// are the records.
func (f *facts) elsewhere(jobID, home domain.UUID, entries []domain.Entry, o *rules.Outside) {
	if len(f.same) == 0 {
		return
	}
	replaced := map[domain.UUID]bool{}
	for i := range entries {
		if m, ok := entries[i].Record.(*domain.Measurement); ok && entries[i].Void == nil && m.Replaces != nil {
			replaced[*m.Replaces] = true
		}
	}
	for i := range entries {
		e := &entries[i]
		match := domain.Match(e.Record)
		if match == nil {
			continue
		}
		for _, other := range f.same[string(match)] {
			if domain.UUID(other.JobID) == jobID || domain.UUID(other.HomeID) == home {
				continue
			}
			switch r := e.Record.(type) {
			case *domain.Photo:
				addSamePhoto(o, r.SHA256, other.JobID)
			case *domain.Measurement:
				if e.Void == nil && !replaced[e.ID] && !other.JobVoid && !other.Replaced && !slices.Contains(o.SameTests, domain.UUID(other.JobID)) {
					o.SameTests = append(o.SameTests, other.JobID)
				}
			case *domain.Visit:
				if e.Void == nil && !other.JobVoid {
					addOtherVisit(o, r, &other)
				}
			}
		}
	}
	slices.SortFunc(o.SamePhotos, func(a, b rules.SamePhoto) int { return cmp.Compare(a.SHA256, b.SHA256) })
	slices.SortFunc(o.SameTests, domain.UUID.Compare)
	slices.SortStableFunc(o.OtherVisits, func(a, b rules.OtherVisit) int {
		return cmp.Or(a.JobID.Compare(b.JobID), a.ArrivedAt.Compare(b.ArrivedAt))
	})
}

// addSamePhoto adds a job to which a picture was sent too, once.
func addSamePhoto(o *rules.Outside, sha256 string, job domain.UUID) {
	i := slices.IndexFunc(o.SamePhotos, func(p rules.SamePhoto) bool { return p.SHA256 == sha256 })
	if i < 0 {
		o.SamePhotos = append(o.SamePhotos, rules.SamePhoto{SHA256: sha256, JobIDs: []domain.UUID{job}})
	} else if p := &o.SamePhotos[i]; !slices.Contains(p.JobIDs, job) {
		p.JobIDs = append(p.JobIDs, job)
	}
}

// addOtherVisit adds a visit of the same lead to another home at the same time.
func addOtherVisit(o *rules.Outside, own *domain.Visit, row *sameRow) {
	var other domain.Visit
	if err := json.Unmarshal([]byte(row.Body), &other); err != nil || own.ArrivedAt == nil || own.LeftAt == nil ||
		other.ArrivedAt == nil || other.LeftAt == nil || !other.ArrivedAt.Before(*own.LeftAt) || !own.ArrivedAt.Before(*other.LeftAt) {
		return
	}
	o.OtherVisits = append(o.OtherVisits, rules.OtherVisit{CrewMemberID: *own.LeadID, JobID: row.JobID, ArrivedAt: *other.ArrivedAt, LeftAt: *other.LeftAt})
}

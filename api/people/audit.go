package people

import (
	"context"
	"encoding/binary"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage/people"
)

// What somebody did: signed in, released, erased, or wrote a version of a record without a phone. What a phone sent
// stands in its jobs.
type deed struct {
	At string `json:"at"`
	// Absent: the operator at the machine, or a token that names nobody.
	PersonID domain.UUID `json:"person_id,omitzero"`
	Name     string      `json:"name,omitzero"`
	TokenID  domain.UUID `json:"token_id,omitzero"`
	// Such as package_released, link_made or, of a record, add_home, change_job, void_waiver, review_accept. Others may come.
	Action string `json:"action"`
	// The kind of the record; absent of what is none.
	Kind string `json:"kind,omitzero"`
	// Of the record, person, token, device or held item.
	SubjectID domain.UUID `json:"subject_id,omitzero"`
	JobID     domain.UUID `json:"job_id,omitzero"`
	// Of the record's version, in the ledger.
	Position int64  `json:"position,omitzero"`
	Version  int64  `json:"version,omitzero"`
	Detail   string `json:"detail,omitzero"`
}

// A page of what was done, the newest first.
type deedList struct {
	Items []deed `json:"items"`
	Next  string `json:"next,omitzero"`
}

// deedsLooked is how many deeds are looked at for one page, whatever the filter
// lets through: so no page reads more as the program grows.
const deedsLooked = frame.MaxPage

func (d Desk) audit(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	filter, job, subject, action, err := d.deedFilter(ctx, caller, r)
	if err != nil {
		return frame.Answer{}, err
	}
	page := frame.PageOf(caller, "audit"+r.Query.Get("person_id")+"/"+r.Query.Get("from")+"/"+r.Query.Get("before")+"/"+r.Query.Get("job_id")+"/"+r.Query.Get("subject_id")+"/"+action)
	var after *people.DeedPlace
	if text := r.Query.Get("after"); text != "" {
		after = &people.DeedPlace{}
		var micros, high, low int64
		if err := page.ReadNumbers(text, &micros, &high, &low); err != nil {
			return frame.Answer{}, err
		}
		after.At, after.Order = time.UnixMicro(micros).UTC(), idOfNumbers(high, low)
	}
	limit := r.Limit()
	looked := limit + 1
	if !job.IsZero() || !subject.IsZero() || action != "" {
		looked = deedsLooked + 1
	}
	list, err := people.Deeds(ctx, d.DB, caller, filter, after, looked)
	if err != nil {
		return frame.Answer{}, err
	}
	out := deedList{Items: []deed{}}
	for i := range list {
		if i == looked-1 || len(out.Items) == limit {
			place := list[i-1].Place()
			high, low := numbersOfID(place.Order)
			out.Next = page.WriteNumbers(place.At.UnixMicro(), high, low)
			break
		}
		do := &list[i]
		if !job.IsZero() && do.JobID != job || !subject.IsZero() && do.ID != subject || action != "" && do.Action != action {
			continue
		}
		out.Items = append(out.Items, deed{At: ledger.Stamp(do.At), PersonID: do.PersonID, Name: do.Name, TokenID: do.TokenID, Action: do.Action,
			Kind: do.Kind, SubjectID: do.ID, JobID: do.JobID, Position: do.Position, Version: do.Version, Detail: do.Detail})
	}
	return frame.Answer{Body: out}, nil
}

// deedFilter reads the query; days are the program's.
func (d Desk) deedFilter(ctx context.Context, caller domain.Caller, r *frame.Request) (f people.DeedFilter, job, subject domain.UUID, action string, err error) {
	for name, into := range map[string]*domain.UUID{"person_id": &f.PersonID, "job_id": &job, "subject_id": &subject} {
		if text := r.Query.Get(name); text != "" {
			if *into, err = domain.ParseUUID(text); err != nil {
				return f, job, subject, action, domain.At("/"+name, domain.BadQuery, "%s: %v", name, err)
			}
		}
	}
	action = r.Query.Get("action")
	if r.Query.Get("from") == "" && r.Query.Get("before") == "" {
		return f, job, subject, action, nil
	}
	program, err := d.DB.Program(ctx, caller.Program)
	if err != nil {
		return f, job, subject, action, err
	}
	zone, err := time.LoadLocation(program.TimeZone)
	if err != nil {
		return f, job, subject, action, err
	}
	for name, into := range map[string]**time.Time{"from": &f.From, "before": &f.Before} {
		if text := r.Query.Get(name); text != "" {
			day, err := time.ParseInLocation(time.DateOnly, text, zone)
			if err != nil {
				return f, job, subject, action, domain.At("/"+name, domain.BadQuery, "%s: a day is written 2026-10-14", name)
			}
			*into = &day
		}
	}
	return f, job, subject, action, nil
}

// An id stands in a cursor as two numbers.
func numbersOfID(id domain.UUID) (high, low int64) {
	return int64(binary.BigEndian.Uint64(id[:8])), int64(binary.BigEndian.Uint64(id[8:]))
}

func idOfNumbers(high, low int64) (id domain.UUID) {
	binary.BigEndian.PutUint64(id[:8], uint64(high))
	binary.BigEndian.PutUint64(id[8:], uint64(low))
	return id
}

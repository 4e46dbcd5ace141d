// Package worklist reads what waits for somebody: jobs, held items, call-backs,
// inspections, papers that lapse and devices that are silent, oldest first.
package worklist

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/storage"
)

// Days say after how many days something waits, and how far ahead
// papers and calibrations are looked at.
type Days struct {
	SentIn    int // sent in and not reviewed
	Returned  int // returned and not answered
	Silent    int // nothing heard of a device
	Hazard    int // a hazard that a crew saw, and nobody has read
	LapseSoon int // until a paper or a calibration lapses
	Lapse     int // the same, further ahead
}

// DefaultDays are common practice; whoever asks may give others. What
// was sent in waits from the first hour; what was returned for the crew at once,
// for the office after a week.
func DefaultDays(role domain.Role) Days {
	days := Days{SentIn: 0, Returned: 7, Silent: 3, Hazard: 1, LapseSoon: 30, Lapse: 60}
	if role == domain.Field || role == domain.ContractorRole {
		days.Returned = 0
	}
	return days
}

// List is what waits for the caller.
type List struct {
	AsOfAt time.Time
	Counts []Count // of every sort that can wait for the caller
	Items  []Item  // oldest first; what lapses comes at its day
}

// Count tells how much waits of one sort.
type Count struct {
	Sort  string
	Count int64
}

// Item is one thing that waits. Of SinceAt, SinceOn and DueOn one is set.
type Item struct {
	Sort         string
	SinceAt      time.Time
	SinceOn      domain.Date
	DueOn        domain.Date
	SubjectKind  string
	SubjectID    domain.UUID
	JobID        domain.UUID
	ContractorID domain.UUID
	Detail       string
	Name         string       // of a person, an instrument or a device; for a paper, of who holds it
	Contractor   string       // its name
	Month        domain.Month // of a package
	Fund         string       // whose package it is; empty: of all
	Revision     int          // of the package, once it is built
	Number       int64        // of the job
	Street       string       // of the job's home, for the office
	Days         int          // since then; with DueOn until then, negative once past

	at   time.Time // the place in the order
	rank int
}

type row struct {
	SinceAt      *time.Time
	OnDay        *string
	ID           [16]byte
	JobID        *[16]byte
	ContractorID *[16]byte
	Word         string
	Total        int64
}

// Read reads the oldest of what waits for the caller, all sorts or one, and how
// much waits of each. A contractor and its crews see their own.
func Read(ctx context.Context, db *storage.DB, caller domain.Caller, days Days, sort string, limit int) (out List, err error) {
	err = db.In(ctx, caller.Program, storage.Survey, func(t *storage.Tx) error {
		program, err := t.Settings()
		if err != nil {
			return err
		}
		zone, err := program.Zone()
		if err != nil {
			return err
		}
		a := moments{now: t.Now, today: domain.DateOf(t.Now, zone), days: days}
		if caller.Role == domain.Staff || caller.Role == domain.Admin {
			if a.due, err = readDue(t, zone); err != nil {
				return err
			}
		}
		sorts := slices.DeleteFunc(table(), func(s sortRow) bool {
			return !slices.Contains(s.roles, caller.Role) || sort != "" && s.name != sort
		})
		rows := make([][]row, len(sorts))
		for i, s := range sorts {
			args := s.args(&a)
			args["program_id"], args["contractor_id"], args["today"], args["limit"] = t.Program, caller.Contractor, string(a.today), limit
			args["inspector_id"] = domain.UUID{}
			if caller.Role == domain.Inspector {
				args["inspector_id"] = caller.Person
			}
			storage.All(t, &rows[i], s.sql, args)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		out = List{AsOfAt: t.Now}
		for i := range sorts {
			total := int64(0)
			for _, r := range rows[i] {
				total = r.Total
				item, err := sorts[i].item(&r, &a, zone)
				if err != nil {
					return err
				}
				item.rank = i
				out.Items = append(out.Items, item)
			}
			out.Counts = append(out.Counts, Count{sorts[i].name, total})
		}
		slices.SortFunc(out.Items, func(x, y Item) int {
			return cmp.Or(x.at.Compare(y.at), cmp.Compare(x.rank, y.rank), x.SubjectID.Compare(y.SubjectID))
		})
		out.Items = out.Items[:min(len(out.Items), limit)]
		return out.name(t, caller)
	})
	return out, err
}

func (s *sortRow) item(r *row, a *moments, zone *time.Location) (w Item, err error) {
	w = Item{Sort: s.name, SubjectKind: s.subject, SubjectID: r.ID, JobID: storage.IDOf(r.JobID), ContractorID: storage.IDOf(r.ContractorID)}
	if r.SinceAt != nil {
		w.SinceAt, w.at = *r.SinceAt, *r.SinceAt
		w.Days = int(a.now.Sub(w.at) / (24 * time.Hour))
	} else {
		day := domain.Date(*r.OnDay)
		if w.at, err = time.ParseInLocation(time.DateOnly, *r.OnDay, zone); err != nil {
			return w, fmt.Errorf("worklist %s: %w", s.name, err)
		}
		if w.SinceOn, w.Days = day, daysBetween(day, a.today); s.ahead {
			w.SinceOn, w.DueOn, w.Days = "", day, -w.Days
		}
	}
	w.Detail = s.detail(r.Word, w.Days)
	if s.subject == "program" {
		w.Month, w.Fund, w.Revision = packageNamed(r.Word)
	}
	return w, nil
}

package storage

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
)

// WorklistDays say after how many days something waits, and how far ahead
// papers and calibrations are looked at.
type WorklistDays struct {
	SentIn    int // sent in and not reviewed
	Returned  int // returned and not answered
	Silent    int // nothing heard of a device
	LapseSoon int // until a paper or a calibration lapses
	Lapse     int // the same, further ahead
}

// DefaultWorklistDays are common practice; whoever asks may give others. What
// was returned waits for the crew at once, for the office after a week.
func DefaultWorklistDays(role domain.Role) WorklistDays {
	days := WorklistDays{SentIn: 7, Returned: 7, Silent: 3, LapseSoon: 30, Lapse: 60}
	if role == domain.Field || role == domain.ContractorRole {
		days.Returned = 0
	}
	return days
}

// Worklist is what waits for the caller.
type Worklist struct {
	AsOfAt time.Time
	Counts []WorklistCount // of every sort that can wait for the caller
	Items  []WorklistItem  // oldest first; what lapses comes at its day
}

// WorklistCount tells how much waits of one sort.
type WorklistCount struct {
	Sort  string
	Count int64
}

// WorklistItem is one thing that waits. Of SinceAt, SinceOn and DueOn one is set.
type WorklistItem struct {
	Sort         string
	SinceAt      time.Time
	SinceOn      domain.Date
	DueOn        domain.Date
	SubjectKind  string
	SubjectID    domain.UUID
	JobID        domain.UUID
	ContractorID domain.UUID
	Detail       string
	Days         int // since then; with DueOn until then, negative once past

	at   time.Time // the place in the order
	rank int
}

type worklistRow struct {
	SinceAt      *time.Time
	OnDay        *string
	ID           [16]byte
	JobID        *[16]byte
	ContractorID *[16]byte
	Word         string
	Total        int64
}

// Worklist reads the oldest of what waits for the caller, all sorts or one,
// and how much waits of each. A contractor and its crews see their own.
func (db *DB) Worklist(ctx context.Context, caller domain.Caller, days WorklistDays, sort string, limit int) (out Worklist, err error) {
	err = db.In(ctx, caller.Program, Survey, func(t *Tx) error {
		program, err := t.Settings()
		if err != nil {
			return err
		}
		zone, err := program.Zone()
		if err != nil {
			return err
		}
		a := worklistArgs{now: t.Now, today: domain.DateOf(t.Now, zone), days: days}
		sorts := slices.DeleteFunc(worklistSorts(), func(s worklistSort) bool {
			return !slices.Contains(s.roles, caller.Role) || sort != "" && s.name != sort
		})
		rows := make([][]worklistRow, len(sorts))
		for i, s := range sorts {
			args := s.args(&a)
			args["program_id"], args["contractor_id"], args["today"], args["limit"] = t.Program, caller.Contractor, string(a.today), limit
			All(t, &rows[i], s.sql, args)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		out = Worklist{AsOfAt: t.Now}
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
			out.Counts = append(out.Counts, WorklistCount{sorts[i].name, total})
		}
		return nil
	})
	slices.SortFunc(out.Items, func(x, y WorklistItem) int {
		return cmp.Or(x.at.Compare(y.at), cmp.Compare(x.rank, y.rank), x.SubjectID.Compare(y.SubjectID))
	})
	out.Items = out.Items[:min(len(out.Items), limit)]
	return out, err
}

func (s *worklistSort) item(r *worklistRow, a *worklistArgs, zone *time.Location) (w WorklistItem, err error) {
	w = WorklistItem{Sort: s.name, SubjectKind: s.subject, SubjectID: r.ID, JobID: IDOf(r.JobID), ContractorID: IDOf(r.ContractorID)}
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
	return w, nil
}

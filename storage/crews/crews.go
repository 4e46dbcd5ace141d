// Package crews reads what domain/crews computes from: people and their papers, what
// inspectors found in their homes, and their lessons.
package crews

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/crews"
	"ductledger/storage"
)

// Ask says of which day leads are asked.
type Ask struct {
	On           domain.Date // zero: today
	ContractorID domain.UUID // zero: all
	SoonDays     int         // a certificate that lapses within so many days asks for training
}

// Leads are the crew members, by contractor and name, with whether each may lead.
type Leads struct {
	On    domain.Date
	Crews []crews.Lead
}

// People, their papers and lessons as they stand: they grow with the people of a
// program, not with its homes.
const leadPapersSQL = `
SELECT` + storage.EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind IN ('contractor', 'crew_member', 'credential', 'training_event') AND e.job_id IS NULL
    AND e.until_position IS NULL AND e.voided_at IS NULL
ORDER BY e.kind, e.record_id`

type ledRow struct {
	MemberID [16]byte
	Count    int64
}

// Homes led since the program records them; more than a hundred are not counted.
const homesLedSQL = `
SELECT m.record_id AS member_id, d.count
FROM entry AS m
CROSS JOIN LATERAL (SELECT count(*) AS count FROM (SELECT DISTINCT r.home_id FROM job_result AS r
    WHERE r.program_id = @program_id AND r.crew_lead_id = m.record_id AND r.accepted_position IS NOT NULL AND r.until_position IS NULL LIMIT 100) AS h) AS d
WHERE m.program_id = @program_id AND m.kind = 'crew_member' AND m.until_position IS NULL AND m.voided_at IS NULL AND d.count > 0`

// ReadLeads tells who may lead on a day.
func ReadLeads(ctx context.Context, db *storage.DB, program domain.UUID, ask Ask) (out Leads, err error) {
	err = db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		var rows []storage.EntryRow
		var led []ledRow
		args := storage.Args{"program_id": t.Program}
		storage.All(t, &rows, leadPapersSQL, args)
		storage.All(t, &led, homesLedSQL, args)
		settings, err := t.Settings()
		if err != nil {
			return err
		}
		zone, err := settings.Zone()
		if err != nil {
			return err
		}
		set, err := t.RuleSetToday()
		if err != nil {
			return err
		}
		entries, err := storage.Entries(rows, true)
		if err != nil {
			return err
		}
		if out.On = ask.On; out.On == "" {
			out.On = domain.DateOf(t.Now, zone)
		}
		day, err := time.Parse(time.DateOnly, string(out.On))
		if err != nil {
			return domain.At("/on", domain.BadQuery, "on: %q is not a day such as 2026-10-14", out.On)
		}
		soon := domain.Date(day.AddDate(0, 0, ask.SoonDays).Format(time.DateOnly))
		for _, m := range members(entries, led) {
			if ask.ContractorID.IsZero() || m.Record.ContractorID == ask.ContractorID {
				out.Crews = append(out.Crews, crews.LeadOn(m, out.On, soon, homesAsked(set)))
			}
		}
		slices.SortFunc(out.Crews, func(a, b crews.Lead) int {
			return cmp.Or(strings.Compare(a.Contractor, b.Contractor), strings.Compare(a.Name, b.Name), a.CrewMemberID.Compare(b.CrewMemberID))
		})
		return nil
	})
	return out, err
}

func members(entries []domain.Entry, led []ledRow) (list []*crews.Member) {
	byID, firms := map[domain.UUID]*crews.Member{}, map[domain.UUID]*domain.Contractor{}
	for _, e := range entries { // contractors, credentials, members, lessons: by kind
		switch r := e.Record.(type) {
		case *domain.Contractor:
			firms[e.ID] = r
		case *domain.CrewMember:
			m := &crews.Member{ID: e.ID, Record: r, Contractor: firms[r.ContractorID]}
			byID[e.ID], list = m, append(list, m)
		}
	}
	for _, e := range entries {
		switch r := e.Record.(type) {
		case *domain.Credential:
			if m := byID[storage.OrZero(r.CrewMemberID)]; m != nil {
				m.Credentials = append(m.Credentials, r)
			}
		case *domain.TrainingEvent:
			if m := byID[r.CrewMemberID]; m != nil {
				m.TrainedOn = max(m.TrainedOn, r.HeldOn)
			}
		}
	}
	for _, r := range led {
		if m := byID[r.MemberID]; m != nil {
			m.HomesLed = int(r.Count)
		}
	}
	return list
}

// homesAsked are the homes that a lead has led who needs nobody beside him.
func homesAsked(set *domain.RuleSet) int {
	const unlessSet = 10 // of the rule crew_member_supervised
	for _, r := range set.Rules {
		if asked, ok := r.Parameters["homes_count"]; ok && r.Rule == "crew_member_supervised" {
			return int(asked)
		}
	}
	return unlessSet
}

// survey is a period as it stood at a position.
type survey struct {
	storage.Window
	t      *storage.Tx
	firms  map[domain.UUID]string
	people map[domain.UUID]string
	args   storage.Args
}

func surveyAt(t *storage.Tx, from, before domain.Date, position int64) (*survey, error) {
	window, err := t.Window(from, before, position)
	if err != nil {
		return nil, err
	}
	s := &survey{Window: window, t: t, args: window.Args(t.Program)}
	if s.firms, err = t.ContractorNames(s.Position); err != nil {
		return nil, err
	}
	s.people, err = t.CrewNames(s.Position)
	return s, err
}

// Needs are what to teach next.
type Needs struct {
	Position int64
	AsOfAt   time.Time
	Crews    []crews.Crew
	Members  []crews.TaughtMember
	// Judgments that name no member.
	Unnamed int
	// By nobody's name: what inspectors found, and what crews recorded of themselves.
	ByInspectors, ByRecords []crews.ProgramTopic
}

// lookedSQL are the jobs accepted in the period with the first finished inspection
// after the work: what a later one finds was mended meanwhile. A job that a person
// opened for a reason of its own is left out.
const lookedSQL = `
    SELECT r.job_id, r.crew_lead_id, coalesce(r.worked_by[1], r.contractor_id) AS contractor_id, r.counted_at, i.body,
        r.method, CASE WHEN r.after_tenths > 0 AND NOT r.below_range THEN r.after_tenths END AS after_tenths
    FROM job_result AS r
    CROSS JOIN LATERAL (SELECT x.body FROM entry AS x
        WHERE x.program_id = @program_id AND x.job_id = r.job_id AND x.kind = 'inspection' AND x.position <= @position
            AND (x.until_position IS NULL OR x.until_position > @position) AND x.voided_at IS NULL
            AND x.body::jsonb ->> 'purpose' <> 'in_progress' AND x.body::jsonb ->> 'result' IN ('passed', 'failed')
        ORDER BY x.body::jsonb ->> 'inspected_on', x.record_id LIMIT 1 OFFSET 0) AS i
    WHERE r.program_id = @program_id AND r.counted_at >= @from AND r.counted_at < @before AND r.accepted_position IS NOT NULL
        AND r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position)
        AND NOT EXISTS (SELECT FROM inspection_draw AS d
            WHERE d.program_id = @program_id AND d.job_id = r.job_id AND d.by_hand_position <= @position)`

// Lesson is one with what became of the crew's work.
type Lesson struct {
	TrainingEventID domain.UUID
	Event           *domain.TrainingEvent
	ContractorID    domain.UUID
	Name            string
	// By what inspectors found, and by what the crews' own records show.
	ByInspectors, ByRecords crews.Effect
}

// Lessons are those held in a period.
type Lessons struct {
	Position int64
	AsOfAt   time.Time
	Lessons  []Lesson
}

// windowMonths are read on both sides of a period of lessons: a crew that did ten homes in
// none of them is compared by fewer.
const windowMonths = 12

const lessonsSQL = `
SELECT` + storage.EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'training_event' AND e.job_id IS NULL AND e.position <= @position
    AND (e.until_position IS NULL OR e.until_position > @position) AND e.voided_at IS NULL
    AND e.body::jsonb ->> 'held_on' >= @first AND e.body::jsonb ->> 'held_on' < @last
ORDER BY e.body::jsonb ->> 'held_on', e.record_id`

type homeRow struct {
	JobID     [16]byte
	LeadID    [16]byte
	CountedAt time.Time
	Rule      string
	Broken    bool
}

const lessonLooksSQL = `
SELECT l.job_id, l.crew_lead_id AS lead_id, l.counted_at, v.rule, bool_or(v.verdict = 'broken') AS broken
FROM (` + lookedSQL + `
) AS l, jsonb_to_recordset(l.body::jsonb -> 'verdicts') AS v(rule text, verdict text)
WHERE l.crew_lead_id IS NOT NULL AND v.rule = ANY (@rules::text[]) AND v.verdict IN ('holds', 'broken')
GROUP BY 1, 2, 3, 4
ORDER BY 1, 4`

// ReadLessons tells of each lesson held in a period of days whether it helped.
func ReadLessons(ctx context.Context, db *storage.DB, program domain.UUID, from, before domain.Date, position int64) (out Lessons, err error) {
	err = db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		s, err := surveyAt(t, from, before, position)
		if err != nil {
			return err
		}
		out.Position, out.AsOfAt = s.Position, s.AsOfAt
		s.args["first"], s.args["last"] = monthsFrom(from, -windowMonths), monthsFrom(before, windowMonths)
		s.args["from"], s.args["before"] = s.args["from"].(time.Time).AddDate(0, -windowMonths, 0), s.args["before"].(time.Time).AddDate(0, windowMonths, 0)
		var rows []storage.EntryRow
		storage.All(t, &rows, lessonsSQL, s.args)
		if err := t.Flush(); err != nil {
			return err
		}
		events, err := storage.Entries(rows, true)
		if err != nil {
			return err
		}
		var rules []string
		held := false
		for _, e := range events {
			r := e.Record.(*domain.TrainingEvent)
			rules = append(rules, r.Rules...)
			held = held || r.HeldOn >= from && r.HeldOn < before
		}
		if !held {
			return nil
		}
		slices.Sort(rules)
		s.args["rules"] = slices.Compact(rules)
		byInspectors, err := s.looked()
		if err != nil {
			return err
		}
		byRecords, err := s.recorded(slices.Compact(rules))
		if err != nil {
			return err
		}
		employers, err := s.employers()
		if err != nil {
			return err
		}
		for i := range events {
			r := events[i].Record.(*domain.TrainingEvent)
			if r.HeldOn < from || r.HeldOn >= before {
				continue // it is here since its crew is no other of the lessons about it
			}
			lesson := Lesson{TrainingEventID: events[i].ID, Event: r, Name: s.people[r.CrewMemberID], ContractorID: employers[r.CrewMemberID]}
			of := crews.Lesson{LeadID: r.CrewMemberID, On: r.HeldOn, Rules: r.Rules}
			taught := func(lead domain.UUID) bool {
				return slices.ContainsFunc(events, func(e domain.Entry) bool {
					o := e.Record.(*domain.TrainingEvent)
					return o.CrewMemberID == lead && slices.ContainsFunc(o.Rules, func(rule string) bool { return slices.Contains(r.Rules, rule) })
				})
			}
			if lesson.ByInspectors, err = crews.EffectOf(of, byInspectors, taught); err != nil {
				return err
			}
			if lesson.ByRecords, err = crews.EffectOf(of, byRecords, taught); err != nil {
				return err
			}
			out.Lessons = append(out.Lessons, lesson)
		}
		return nil
	})
	return out, err
}

// looked are the jobs in which an inspector judged a rule of a lesson.
func (s *survey) looked() (list []crews.Home, err error) {
	var rows []homeRow
	storage.All(s.t, &rows, lessonLooksSQL, s.args)
	if err := s.t.Flush(); err != nil {
		return nil, err
	}
	for i, r := range rows {
		if i == 0 || rows[i-1].JobID != r.JobID {
			list = append(list, crews.Home{JobID: r.JobID, LeadID: r.LeadID, On: domain.DateOf(r.CountedAt, s.Zone), Broken: map[string]bool{}})
		}
		list[len(list)-1].Broken[r.Rule] = r.Broken
	}
	return list, nil
}

// recorded are the jobs whose own records show what became of a rule of a lesson.
func (s *survey) recorded(rules []string) ([]crews.Home, error) {
	jobs, err := s.t.JudgedJobs(s.args, rules)
	list := make([]crews.Home, len(jobs))
	for i, j := range jobs {
		list[i] = crews.Home{JobID: j.JobID, LeadID: j.LeadID, On: domain.DateOf(j.CountedAt, s.Zone), Broken: j.Broken}
	}
	return list, err
}

type employerRow struct {
	RecordID     [16]byte
	ContractorID [16]byte
}

const employersSQL = `
SELECT e.record_id, (e.body::jsonb ->> 'contractor_id')::uuid AS contractor_id
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'crew_member' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

// employers are the contractors of the crew members.
func (s *survey) employers() (map[domain.UUID]domain.UUID, error) {
	var rows []employerRow
	storage.All(s.t, &rows, employersSQL, s.args)
	if err := s.t.Flush(); err != nil {
		return nil, err
	}
	of := make(map[domain.UUID]domain.UUID, len(rows))
	for _, r := range rows {
		of[r.RecordID] = r.ContractorID
	}
	return of, nil
}

// monthsFrom is the day so many months later.
func monthsFrom(day domain.Date, months int) domain.Date {
	at, err := time.Parse(time.DateOnly, string(day))
	if err != nil {
		return day // the period was checked
	}
	return domain.Date(at.AddDate(0, months, 0).Format(time.DateOnly))
}

package storage

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"ductledger/domain"

	"github.com/jackc/pgx/v5/pgtype"
)

// What rules made of the jobs of a period is read from the index job_result_counted
// alone: a letter a rule, in the order of a list that many verdicts share
// (letters_judged and rules_judged in migrations). The verdicts are a hundred times that.

// A RuleTally is in how many jobs of a contractor a rule was judged, and in how many of
// them it was broken: home by home, since what is wrong with one boot is often wrong with
// the next. A waived finding was broken all the same.
type RuleTally struct {
	ContractorID   domain.UUID
	Rule           string
	Judged, Broken int
}

// A JudgedJob is an accepted job with what was found of it by the rules asked for.
type JudgedJob struct {
	JobID     domain.UUID
	LeadID    domain.UUID
	CountedAt time.Time
	Broken    map[string]bool // by rule that was judged
}

const (
	letterBroken    = 'b'
	letterNotJudged = '-'
)

// The jobs first accepted from @from until @before as they stood at @position, whoever
// was given the job later.
const judgedSQL = `
SELECT job_id, coalesce(worked_by[1], contractor_id) AS contractor_id, crew_lead_id, counted_at, judged_rules, judged_letters
FROM job_result
WHERE program_id = @program_id AND counted_at >= @from AND counted_at < @before AND accepted_position IS NOT NULL
    AND accepted_position <= @position AND (until_position IS NULL OR until_position > @position) AND judged_letters IS NOT NULL`

type judgedRow struct {
	job, contractor [16]byte
	lead            *[16]byte
	countedAt       time.Time
	list            [16]byte
	letters         []byte
}

// eachJudged calls use with one job after the other, in no order; the row and its letters
// are used again.
// lists keeps a job for each list of rules.
func (t *Tx) eachJudged(args Args, lists map[[16]byte][16]byte, use func(*judgedRow)) error {
	rows, err := t.Query(judgedSQL, args)
	if err != nil {
		return err
	}
	defer rows.Close()
	var r judgedRow
	for rows.Next() {
		if err := rows.Scan(&r.job, &r.contractor, &r.lead, &r.countedAt, &r.list, (*pgtype.DriverBytes)(&r.letters)); err != nil {
			return err
		}
		lists[r.list] = r.job
		use(&r)
	}
	return rows.Err()
}

const judgedListsSQL = `
SELECT DISTINCT judged_rules AS list, rules_judged(verdict) AS rules
FROM job_result
WHERE program_id = @program_id AND job_id = ANY (@jobs::uuid[]) AND judged_rules = ANY (@lists::uuid[])`

type judgedListRow struct {
	List  [16]byte
	Rules string
}

// ruleLists are the rules of each list, of which one job is known.
func (t *Tx) ruleLists(lists map[[16]byte][16]byte) (map[[16]byte][]string, error) {
	var rows []judgedListRow
	var jobs, asked [][16]byte
	for list, job := range lists {
		jobs, asked = append(jobs, job), append(asked, list)
	}
	All(t, &rows, judgedListsSQL, Args{"program_id": t.Program, "jobs": jobs, "lists": asked})
	if err := t.Flush(); err != nil {
		return nil, err
	}
	names := make(map[[16]byte][]string, len(rows))
	for _, r := range rows {
		names[r.List] = strings.Fields(r.Rules)
	}
	if len(names) != len(lists) {
		return nil, fmt.Errorf("%d of %d lists of rules were found", len(names), len(lists))
	}
	return names, nil
}

// RuleTallies counts, by contractor and rule, the rules judged and broken in the jobs
// first accepted in a period: @from, @before, @position.
func (t *Tx) RuleTallies(args Args) ([]RuleTally, error) {
	type group struct{ contractor, list [16]byte }
	type count struct{ judged, broken int }
	counts, lists := map[group][]count{}, map[[16]byte][16]byte{}
	err := t.eachJudged(args, lists, func(r *judgedRow) {
		of := group{r.contractor, r.list}
		list := counts[of]
		if list == nil {
			list = make([]count, len(r.letters))
			counts[of] = list
		}
		for i, letter := range r.letters {
			if letter != letterNotJudged {
				list[i].judged++
			}
			if letter == letterBroken {
				list[i].broken++
			}
		}
	})
	if err != nil {
		return nil, err
	}
	names, err := t.ruleLists(lists)
	if err != nil {
		return nil, err
	}
	type ofRule struct {
		contractor domain.UUID
		rule       string
	}
	sums := map[ofRule]count{}
	for of, list := range counts {
		for i, c := range list {
			key := ofRule{of.contractor, names[of.list][i]}
			sums[key] = count{sums[key].judged + c.judged, sums[key].broken + c.broken}
		}
	}
	var tallies []RuleTally
	for of, c := range sums {
		if c.judged > 0 {
			tallies = append(tallies, RuleTally{of.contractor, of.rule, c.judged, c.broken})
		}
	}
	slices.SortFunc(tallies, func(a, b RuleTally) int {
		return cmp.Or(a.ContractorID.Compare(b.ContractorID), strings.Compare(a.Rule, b.Rule))
	})
	return tallies, nil
}

// JudgedJobs are the jobs with a lead that were first accepted in a period and in which
// one of the rules was judged, by id.
func (t *Tx) JudgedJobs(args Args, rules []string) ([]JudgedJob, error) {
	if len(rules) == 0 {
		return nil, nil
	}
	var rows []judgedRow
	lists := map[[16]byte][16]byte{}
	err := t.eachJudged(args, lists, func(r *judgedRow) {
		if r.lead != nil {
			kept := *r
			kept.letters = bytes.Clone(r.letters)
			rows = append(rows, kept)
		}
	})
	if err != nil {
		return nil, err
	}
	names, err := t.ruleLists(lists)
	if err != nil {
		return nil, err
	}
	var jobs []JudgedJob
	for i := range rows {
		r := &rows[i]
		job := JudgedJob{JobID: r.job, LeadID: *r.lead, CountedAt: r.countedAt, Broken: map[string]bool{}}
		for at, rule := range names[r.list] {
			if r.letters[at] != letterNotJudged && slices.Contains(rules, rule) {
				job.Broken[rule] = r.letters[at] == letterBroken
			}
		}
		if len(job.Broken) > 0 {
			jobs = append(jobs, job)
		}
	}
	slices.SortFunc(jobs, func(a, b JudgedJob) int { return a.JobID.Compare(b.JobID) })
	return jobs, nil
}

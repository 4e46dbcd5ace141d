package api

import (
	"context"
	"slices"
	"strconv"
	"strings"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage/worklist"
)

// What waits for the caller.
type worklistAnswer struct {
	AsOfAt string `json:"as_of_at"`
	// Every sort that can wait for the caller. Of jobs that a crew started the oldest hundred are counted, or as many as
	// are asked for.
	Counts []worklistCount `json:"counts"`
	Items  []worklistItem  `json:"items"`
}

type worklistCount struct {
	Sort  string `json:"sort"`
	Count int64  `json:"count"`
}

// One thing that waits. One of `since_at`, `since_on` and `due_on` stands. Sorts are `hazard_late hazard sent_in started_by_crew returned overdue
// reply question held held_waiting call_back package_to_build package_to_release inspection_owed inspection_failed credential_lapsed
// credential_lapses_soon credential_lapses calibration_lapsed
// calibration_lapses_soon calibration_lapses device_silent`; others may come.
type worklistItem struct {
	Sort    string      `json:"sort"`
	SinceAt string      `json:"since_at,omitzero"`
	SinceOn domain.Date `json:"since_on,omitzero"`
	// The day on which it was due or is good for the last time.
	DueOn domain.Date `json:"due_on,omitzero"`
	// A record, a held item (`held`), or of a package the program.
	Subject      worklistSubject `json:"subject"`
	JobID        *domain.UUID    `json:"job_id,omitzero"`
	ContractorID *domain.UUID    `json:"contractor_id,omitzero"`
	// Of a package.
	Month domain.Month `json:"month,omitzero"`
	// Whose package it is; absent where one holds all.
	FundSource string `json:"fund_source,omitzero"`
	// The revision, as it stands in addresses.
	Package string `json:"package,omitzero"`
	// Of the job.
	Number int64 `json:"number,omitzero"`
	// Of the job's home; for the office.
	Street         string `json:"street,omitzero" text:"free"`
	ContractorName string `json:"contractor_name,omitzero"`
	// Of a device; of an instrument its serial number; of a paper who holds it.
	Name string `json:"name,omitzero"`
	// In a sentence.
	Detail string `json:"detail"`
	// Days since then; with `due_on` days until then, negative once it has passed.
	DaysCount int `json:"days_count" validate:"gte=-40000,lte=40000"`
}

type worklistSubject struct {
	Kind string      `json:"kind"`
	ID   domain.UUID `json:"id"`
}

// worklist answers what waits for the caller, oldest first. It is bounded and
// has no further pages: what is done leaves it, and the counts tell how much
// there is.
func (s *Server) worklist(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	sort := r.Query.Get("sort")
	if sort != "" && !slices.Contains(worklist.Sorts(), sort) {
		return frame.Answer{}, domain.At("/sort", domain.BadQuery, "sort: there is no sort %q; there are %s", frame.Logged(sort), strings.Join(worklist.Sorts(), ", "))
	}
	days := worklist.DefaultDays(caller.Role)
	for name, value := range map[string]*int{"sent_in_days": &days.SentIn, "returned_days": &days.Returned, "silent_days": &days.Silent, "hazard_days": &days.Hazard,
		"lapse_soon_days": &days.LapseSoon, "lapse_days": &days.Lapse} {
		if n, err := strconv.Atoi(r.Query.Get(name)); err == nil { // the contract lets nothing but a number in
			*value = n
		}
	}
	if days.Lapse < days.LapseSoon {
		return frame.Answer{}, domain.At("/lapse_days", domain.BadQuery, "lapse_days: %d is less than lapse_soon_days, %d", days.Lapse, days.LapseSoon)
	}
	list, err := worklist.Read(ctx, s.db, caller, days, sort, r.Limit())
	if err != nil {
		return frame.Answer{}, err
	}
	out := worklistAnswer{AsOfAt: ledger.Stamp(list.AsOfAt), Counts: []worklistCount{}, Items: []worklistItem{}}
	for _, c := range list.Counts {
		out.Counts = append(out.Counts, worklistCount(c))
	}
	for _, w := range list.Items {
		item := worklistItem{Sort: w.Sort, SinceOn: w.SinceOn, DueOn: w.DueOn, Subject: worklistSubject{w.SubjectKind, w.SubjectID},
			JobID: idOrNone(w.JobID), ContractorID: idOrNone(w.ContractorID), Number: w.Number, Street: w.Street, ContractorName: w.Contractor, Name: w.Name, Detail: w.Detail, DaysCount: w.Days}
		item.Month, item.FundSource = w.Month, w.Fund
		if w.Revision > 0 {
			item.Package = packageName(w.Fund, w.Revision)
		}
		if !w.SinceAt.IsZero() {
			item.SinceAt = ledger.Stamp(w.SinceAt)
		}
		out.Items = append(out.Items, item)
	}
	return frame.Answer{Body: out}, nil
}

// idOrNone leaves an id that is not known out of an answer.
func idOrNone(id domain.UUID) *domain.UUID {
	if id.IsZero() {
		return nil
	}
	return &id
}

type worklistQuery struct {
	// Only this sort.
	Sort string `json:"sort,omitzero" validate:"omitempty,min=1,max=40"`
	// A job sent in waits after so many days without a review; from the first hour without.
	SentInDays int `json:"sent_in_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// A returned job waits after so many days; without, 7 for the office and 0 for contractor and crew.
	ReturnedDays int `json:"returned_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// A device of a contractor with open jobs waits after so many days without a sign; 3 without.
	SilentDays int `json:"silent_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// A hazard that a crew saw, and that nobody has answered for so many days, is `hazard_late`; 1 without.
	HazardDays int `json:"hazard_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// Papers and calibrations that end within so many days are `…_lapses_soon`; 30 without.
	LapseSoonDays int `json:"lapse_soon_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// Those that end later but within so many days are `…_lapses`; 60 without.
	LapseDays int `json:"lapse_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	frame.LimitQuery
}

// worklistOperations are what the contract says of the operations of this file.
func worklistOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getWorklist": {
			Tag: "Jobs judged", Summary: "What waits for the caller, oldest first",
			Description: "The office sees the whole program; a contractor and its crews what waits for them; an inspector the jobs drawn " +
				"for inspection. The list is bounded by `limit` and has no further pages: what is done leaves it. `counts` tells " +
				"how much there is of each sort.",
			Query: worklistQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "What waits.", Body: worklistAnswer{}},
			},
		},
	}
}

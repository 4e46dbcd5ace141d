package api

import (
	"cmp"
	"context"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"

	"ductledger/api/frame"
	"ductledger/api/strict"
	"ductledger/domain"
	"ductledger/domain/cutlist"
	"ductledger/domain/ledger"
	"ductledger/domain/rules"
	"ductledger/storage/judgment"
	monthdb "ductledger/storage/month"
	"ductledger/storage/pictures"

	"github.com/go-json-experiment/json/jsontext"
)

// The findings of a job, in the order of what leaks most, and each rule's outcomes in numbers.
type findingsAnswer struct {
	JobID     domain.UUID `json:"job_id"`
	RuleSetID domain.UUID `json:"rule_set_id"`
	// The place in the program's one order of accepted versions.
	JudgedAtPosition int64 `json:"judged_at_position"`
	// Absent while the job is open.
	Acceptance *acceptanceAnswer `json:"acceptance,omitzero"`
	Findings   []rules.Finding   `json:"findings"`
	// Findings beyond those that one answer lists.
	FindingsMoreCount int                  `json:"findings_more_count,omitzero" validate:"gte=0"`
	Rules             []rules.RuleOutcomes `json:"rules"`
	// Of an accepted job: what the rules found in the work after each call-back, as it stands.
	CallBacks []rules.CallBackVerdict `json:"call_backs,omitzero"`
}

// listed are as many findings as one answer lists, and how many there are more.
func (s *Server) listed(findings []rules.Finding) ([]rules.Finding, int) {
	n := min(len(findings), int(s.limits.AnswerFindings))
	return findings[:n], len(findings) - n
}

// findings answers what the rules say about a job: as frozen at its
// acceptance, or as it stands.
func (s *Server) findings(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, j, err := s.judgment(ctx, caller, r)
	if err != nil {
		return frame.Answer{}, err
	}
	findings, more := s.listed(j.Verdict.Findings)
	for i := range j.CallBacks { // its counts tell of all
		j.CallBacks[i].Findings, _ = s.listed(j.CallBacks[i].Findings)
	}
	return frame.Answer{Body: findingsAnswer{id, j.RuleSetID, j.AtPosition, acceptanceOf(j.Acceptance), findings, more, j.Verdict.Rules, j.CallBacks}}, nil
}

// The result of a stored job.
type jobResult struct {
	JobID domain.UUID `json:"job_id"`
	// The last position of the commit that judged.
	JudgedAtPosition int64 `json:"judged_at_position"`
	// Absent while the job is open.
	Acceptance *acceptanceAnswer `json:"acceptance,omitzero"`
	Result     jsontext.Value    `json:",embed" schema:"Result"`
	// What looks unusual, each with an innocent explanation. A question changes no figure.
	Questions []rules.Question `json:"questions,omitzero"`
	// What a job that is sent in or returned would come to by the prices of its rules once it is accepted, as its
	// contractor's statement expects it. For the office and the contractor.
	ExpectedCents *int64 `json:"expected_cents,omitzero"`
	// An inspector's own reading after in cfm at 25 Pa, computed as the crew's is. For the office and inspectors.
	InspectorAfterCFM25 *float64 `json:"inspector_after_cfm25,omitzero"`
}

// What to cut for a stored job.
type jobCutList struct {
	JobID domain.UUID   `json:"job_id"`
	List  rules.CutList `json:",embed"`
}

// result answers what the readings of a job come to.
func (s *Server) result(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, j, err := s.judgment(ctx, caller, r)
	if err != nil {
		return frame.Answer{}, err
	}
	a := jobResult{id, j.AtPosition, acceptanceOf(j.Acceptance), j.Result, j.Questions, nil, nil}
	if slices.Contains(firmFigures, caller.Role) {
		a.ExpectedCents = j.ExpectedCents
	}
	if slices.Contains(inspecting, caller.Role) {
		a.InspectorAfterCFM25 = j.InspectorCFM25
	}
	return frame.Answer{Body: a}, nil
}

// jobCutList says what to cut for a job.
func (s *Server) jobCutList(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	list, err := judgment.CutList(ctx, s.db, caller, id, cutlist.DefaultParameters())
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	return frame.Answer{Body: jobCutList{id, list}}, nil
}

// One job's records with its home, contractor, crew, credentials and instruments, to be judged by the rule set of a
// day. `ductledger example evaluation` prints one.
type evaluationBody struct {
	// The day whose rule set is used.
	RulesOn domain.Date      `json:"rules_on"`
	Items   []evaluationItem `json:"items" validate:"min=1,max=500,dive"`
}

// One record of a job to be judged, told apart by its kind.
type evaluationItem struct {
	Kind domain.Kind `json:"kind" unlike:"unknown_kind"`
	ID   domain.UUID `json:"id"`
	// Taken and not looked at, so that the items of a batch can be sent as they are.
	Base   int64         `json:"base_version,omitzero" validate:"omitempty,gte=0"`
	Record strict.Record `json:"record"`
}

// Result and findings of the job in the body.
type evaluationAnswer struct {
	Result   rules.Result    `json:"result"`
	Findings []rules.Finding `json:"findings"`
	// Findings beyond those that one answer lists.
	FindingsMoreCount int                  `json:"findings_more_count,omitzero"`
	Rules             []rules.RuleOutcomes `json:"rules"`
	// What looks unusual, each with an innocent explanation.
	Questions []rules.Question `json:"questions"`
}

// evaluate judges and computes a job that is not stored, by the program's
// rules of a day.
func (s *Server) evaluate(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body evaluationBody
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	items := make([]rules.Item, len(body.Items))
	var faults []domain.Fault
	for i, sent := range body.Items {
		at := strict.PointerOf([]string{"items", strconv.Itoa(i), "record"})
		for _, f := range s.checker.Record(sent.Record.Value) {
			f.Pointer = at + f.Pointer
			faults = append(faults, f)
		}
		items[i] = rules.Item{Kind: sent.Kind, ID: sent.ID, Record: sent.Record.Value}
	}
	if err := domain.InvalidFields(faults); err != nil {
		return frame.Answer{}, err
	}
	set, zone, err := s.db.RulesOn(ctx, caller, body.RulesOn)
	if err != nil {
		return frame.Answer{}, err
	}
	job, err := rules.AssembleItems(zone, items)
	if err != nil {
		return frame.Answer{}, err
	}
	result, verdict := rules.ComputeAndJudge(set, job)
	findings, more := s.listed(verdict.Findings)
	return frame.Answer{Body: evaluationAnswer{result, findings, more, verdict.Rules, rules.Ask(job, result)}}, nil
}

// jobsOperations are what the contract says of the operations of this file.
func jobsOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"findingsOfJob": {
			Tag: "Jobs judged", Summary: "What the rules found",
			Description: "In the order of what leaks most. A waived finding is counted, not listed. No finding does not mean that work or home " +
				"is without danger. Acceptance freezes the findings, and later work changes none of them: what was done after a " +
				"call-back is judged apart, in `call_backs`; `position` asks for the acceptance that stood at a position, also " +
				"after the job was opened again, and is 404 where none stood.",
			Query: frame.PositionQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The findings.", Body: findingsAnswer{}},
			},
		},
		"resultOfJob": {
			Tag: "Jobs judged", Summary: "The computed leakage",
			Description: "Frozen at acceptance; `position` asks for the acceptance that stood there.",
			Query:       frame.PositionQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The result.", Body: jobResult{}},
			},
		},
		"cutListOfJob": {
			Tag: "Jobs judged", Summary: "What to cut for a job and how much material it takes",
			Description: "From what the job's records know by now: sizes of trunks, ends to close, openings of the crew, loose parts, " +
				"crossovers to take down, joints to seal. What had to be assumed stands in `assumed`, what could not be listed in " +
				"`left_out`.",
			Gives: []frame.Gives{
				{Status: 200, What: "The list.", Body: jobCutList{}},
			},
		},
		"fileOfJob": {
			Tag: "Jobs judged", Summary: "The file of a job, for an auditor",
			Description: "All that is recorded of one job, as a zip in the form of a month's package: every version with the link that it has in the " +
				"ledger, readings, photos with their digests, findings of each acceptance, lines of payment, corrections, and the packages " +
				"in which it was reported. `ductledger verify` checks it with nothing but the file, and with `--month` against the package of a " +
				"month that shows the job. Nothing of a resident is in it; what people wrote and the pictures only where they are asked " +
				"for. Every download is noted.",
			Query: jobFileQuery{},
			Gives: []frame.Gives{{Status: 200, What: "The file.", Media: "application/zip", Headers: []string{"Repr-Digest", "Content-Disposition"}}},
			Also:  []int{507},
		},
		"postEvaluation": {
			Tag: "Jobs judged", Summary: "Judge and compute a whole job without storing it",
			Description: "The rule set is the program's on `rules_on`; every other fact comes from the body: the records of one job, with " +
				"its home, contractor, crew, credentials and instruments.",
			Takes: evaluationBody{},
			Gives: []frame.Gives{
				{Status: 200, What: "Result and findings.", Body: evaluationAnswer{}},
			},
		},
	}
}

// What was frozen when the job was accepted. Who accepted it stands in the review.
type acceptanceAnswer struct {
	// Of the job's results; a job that was opened again has further ones.
	Number int `json:"number" validate:"gte=1"`
	// The place in the program's one order of accepted versions.
	Position   int64  `json:"position"`
	AcceptedAt string `json:"accepted_at"`
	// In the program's time zone.
	Month string `json:"month"`
	// SHA-256 over the records and facts that were judged, in hexadecimal.
	InputDigest string `json:"input_digest"`
	// Where it ended by re-opening or voiding.
	UntilPosition int64 `json:"until_position,omitzero"`
}

func acceptanceOf(a *judgment.Acceptance) *acceptanceAnswer {
	if a == nil {
		return nil
	}
	return &acceptanceAnswer{a.Serial, a.Position, ledger.Stamp(a.AcceptedAt), a.Month, hex.EncodeToString(a.InputDigest), a.Until}
}

// judgment reads a job's judgment as it stands, or the acceptance that stood
// at the position that the query names.
func (s *Server) judgment(ctx context.Context, caller domain.Caller, r *frame.Request) (domain.UUID, judgment.Judgment, error) {
	id, err := r.ID()
	if err != nil {
		return id, judgment.Judgment{}, err
	}
	var j judgment.Judgment
	if position := r.Position(); position > 0 {
		j, err = judgment.At(ctx, s.db, caller, id, position)
	} else {
		j, err = judgment.Read(ctx, s.db, caller, id)
	}
	return id, j, err
}

type jobFileQuery struct {
	// The pictures that may be shown, as they are served.
	Pictures bool `json:"pictures,omitzero" default:"false"`
	// What people wrote; a name may stand in it.
	Texts bool `json:"texts,omitzero" default:"false"`
}

// jobFile answers all of one job as a small package, and notes who takes it.
func (s *Server) jobFile(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	o := monthdb.JobFileOptions{Options: monthdb.Options{Key: s.key, BuildID: BuildID()}, Texts: r.Query.Get("texts") == "true"}
	what := []string{"records"}
	if o.Texts {
		what = append(what, "texts")
	}
	if r.Query.Get("pictures") == "true" {
		if err := s.hasPictures(); err != nil {
			return frame.Answer{}, err
		}
		o.Picture, what = s.shownPicture(caller), append(what, "pictures")
	}
	file, err := os.CreateTemp("", "ductledger-job-*")
	if err != nil {
		return frame.Answer{}, err
	}
	// Gone from its folder at once, where the system lets an open file go.
	gone := os.Remove(file.Name()) == nil
	done := func() error {
		err := file.Close()
		if !gone {
			err = errors.Join(err, os.Remove(file.Name()))
		}
		return err
	}
	f, err := monthdb.WriteJobFile(ctx, s.db, caller, id, file, o)
	if err == nil {
		err = monthdb.NoteJobFile(ctx, s.db, caller, id, fmt.Sprintf("at position %d, SHA-256 %s: %s", f.Position, f.Written.SHA256, strings.Join(what, ", ")))
	}
	var digest []byte
	if err == nil {
		digest, err = hex.DecodeString(f.Written.SHA256)
	}
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return frame.Answer{}, cmp.Or(err, done())
	}
	return frame.Answer{
		Header: http.Header{
			"Content-Type":        {"application/zip"},
			"Content-Disposition": {`attachment; filename="` + f.Name + `"`},
			"Content-Length":      {strconv.FormatInt(f.Written.Bytes, 10)},
			"Repr-Digest":         {"sha-256=:" + base64.StdEncoding.EncodeToString(digest) + ":"},
			"Cache-Control":       {"private, no-store"},
		},
		Stream: func(w io.Writer) error {
			_, err := io.Copy(w, file)
			return err
		},
		Close: func() { _ = done() },
	}, nil
}

// shownPicture gives the pictures that may be shown as images.
func (s *Server) shownPicture(caller domain.Caller) func(context.Context, domain.UUID) (string, func(context.Context) (io.ReadCloser, error), error) {
	return func(ctx context.Context, photo domain.UUID) (string, func(context.Context) (io.ReadCloser, error), error) {
		f, err := s.pictures.Find(ctx, caller, photo, pictures.Shown)
		if err != nil || !f.Image {
			return "", nil, err
		}
		return "photo-" + photo.String() + extensionOf(f.MediaType), f.Open, nil
	}
}

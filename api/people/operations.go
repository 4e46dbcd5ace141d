package people

import (
	"ductledger/api/frame"
	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

type peopleQuery struct {
	// At most so many items a page; more than 500 is taken as 500. A page may be shorter.
	Limit int `json:"limit,omitzero" validate:"omitempty,gte=1" default:"50"`
	// The `next` of the page before; opaque and bound to its filters.
	After string `json:"after,omitzero" validate:"omitempty,min=1,max=700"`
}

type auditQuery struct {
	peopleQuery
	// Only what this person did.
	PersonID domain.UUID `json:"person_id,omitzero"`
	// Only on this job.
	JobID domain.UUID `json:"job_id,omitzero"`
	// Only on this record, person, token, device or held item.
	SubjectID domain.UUID `json:"subject_id,omitzero"`
	// Only this action.
	Action string `json:"action,omitzero" validate:"omitempty,max=60" pattern:"^[a-z_]+$"`
	// From this day on, where the program works.
	From domain.Date `json:"from,omitzero"`
	// Before this day.
	Before domain.Date `json:"before,omitzero"`
}

// Operations are what the contract says of them.
func Operations() map[string]frame.Operation {
	const tag = "People"
	one := []frame.Gives{{Status: 200, What: "The person.", Body: person{}}}
	return map[string]frame.Operation{
		"listPeople": {Tag: tag, Summary: "List people in the order of their names", Query: peopleQuery{},
			Description: "Everybody who ever decided something stands here, also when they have ended.",
			Gives:       []frame.Gives{{Status: 200, What: "A page of people.", Body: personList{}}}},
		"addPerson": {Tag: tag, Summary: "Invite a person",
			Description: "Answers a link by which they choose a password, once, within 7 days; a person of the role field gets none, since crews " +
				"work with a phone. A name that somebody has already, in any case or spacing, is refused.",
			Takes: addBody{}, Example: jsontext.Value(`{"name": "Ada Invented", "role": "staff"}`),
			Gives: []frame.Gives{{Status: 201, What: "The person and the link.", Body: added{}, Headers: []string{"Location"}}}, Also: []int{409}},
		"getPerson": {Tag: tag, Summary: "Read one person", Description: "Also one who has ended.", Gives: one},
		"linkPerson": {Tag: tag, Summary: "Make a link for a lost password",
			Description: "Works once, within 24 hours (an invitation within 7 days), and ends the link before. Using it ends every session of the person.",
			Gives:       []frame.Gives{{Status: 201, What: "The link.", Body: link{}}}, Also: []int{409}},
		"setPersonRole": {Tag: tag, Summary: "Give a person another role",
			Description: "Their sessions end; tokens keep the role that they were made with. The last admin who can sign in stays one.",
			Takes:       roleBody{}, Example: jsontext.Value(`{"role": "inspector"}`), Gives: one, Also: []int{409}},
		"signPersonOut": {Tag: tag, Summary: "Sign a person out everywhere", Description: "Every session ends with its next request; phones and tokens stay.", Gives: one},
		"endPerson": {Tag: tag, Summary: "Let a person in no more",
			Description: "Sessions, tokens and links end with the very next request. What they did keeps their name. The last admin who can sign in stays.",
			Gives:       one, Also: []int{409}},
		"listTokens": {Tag: tag, Summary: "List the credentials of programs and phones", Description: "Without their texts, which nobody keeps; revoked ones too.",
			Gives: []frame.Gives{{Status: 200, What: "All of them.", Body: tokenList{}}}},
		"revokeToken": {Tag: tag, Summary: "Revoke a credential", Description: "Its very next request is refused. A lost phone is better reported as such: its record's `state` is set to `revoked`, and its app deletes what it holds.",
			Gives: []frame.Gives{{Status: 204, What: "It is revoked."}}},
		"makeEnrollmentCode": {Tag: tag, Summary: "Make a code by which a phone gets its token",
			Description: "Works once, within 24 hours, and ends the code that the device had before. `name` is who carries the phone: the person of that " +
				"name is found or made.",
			Takes: codeBody{}, Example: jsontext.Value(`{"device_id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d15", "name": "Lee Invented"}`),
			Gives: []frame.Gives{{Status: 201, What: "The code.", Body: codeAnswer{}}}, Also: []int{409}},
		"enroll": {Tag: tag, Summary: "Turn a code into the phone's token",
			Description: "The one call that a phone makes without a token.\n\n" +
				"1. The office makes a code, which is typed, or read from its picture: that holds this address, `#`, and the code.\n" +
				"2. The app sends the code here and keeps the token where the phone keeps secrets. A code works once: where the answer was lost, " +
				"the office makes another. An unknown, used or late code is 404; whoever tries many from one address is told 429 and waits.\n" +
				"3. Every request carries the token. It lapses 90 days after the phone was heard last; each request begins the time anew, so " +
				"there is nothing to renew. Lapsed or revoked, requests are 401: the app keeps its unsent work, asks for a new code, " +
				"and sends the work with the new token. Enrolling a device again ends its token before.\n" +
				"4. A lost phone is reported by the office (`state` of its device is `revoked`): its next request is 401 with code `device_revoked`, and the " +
				"app deletes contacts and all that was acknowledged.",
			Takes: enrollment{}, Example: jsontext.Value(`{"code": "NORTH-7K3M-9QXW-2HRT"}`),
			Gives: []frame.Gives{{Status: 201, What: "The phone's own token.", Body: enrolled{}}}, Also: []int{404, 409}},
		"listAudit": {Tag: tag, Summary: "List who did what, the newest first", Query: auditQuery{},
			Description: "What people did besides phones: sign-ins, links, releases, downloads, erasures, held items, and every version of a record that a person " +
				"wrote without a phone. Of a filter by job, subject or action a page may be empty and have a `next`.",
			Gives: []frame.Gives{{Status: 200, What: "A page of deeds.", Body: deedList{}}}},
	}
}

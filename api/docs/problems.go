package docs

import (
	"strings"

	"ductledger/api/frame"
	"ductledger/domain"
)

// problemIndex lists all problems.
type problemIndex struct {
	Title    string
	Problems []problemPage
}

// problemPage is what people want to know of one code.
type problemPage struct {
	Code    domain.Code
	Status  int
	Heading string
	Type    string // as it stands in the problem
	Again   string // whether sending the same again can help
	Meaning string
	Remedy  string
}

func (p problemPage) Title() string { return p.Heading }

// Address is the page's own. It is the problem's type too, but for a type that
// somebody else registered.
func (p problemPage) Address() string { return "/docs/problems/" + kebab(p.Code) }

func kebab(code domain.Code) string { return strings.ReplaceAll(string(code), "_", "-") }

// notAgain is said where nothing else is.
const notAgain = "Not unchanged: the same gets the same answer."

// problemPages follows the table of problems; a code without words has empty
// ones, and a test refuses that.
func problemPages() []problemPage {
	words := problemWords()
	var pages []problemPage
	for _, k := range frame.ProblemKinds() {
		w := words[k.Code]
		p := problemPage{Code: k.Code, Status: k.Status, Heading: k.Title, Type: frame.ProblemType(k.Code), Meaning: w.meaning, Remedy: w.remedy}
		switch {
		case k.Retry > 0:
			p.Again = "Yes, after the seconds that Retry-After names."
		case w.again != "":
			p.Again = w.again
		default:
			p.Again = notAgain
		}
		pages = append(pages, p)
	}
	return pages
}

func problemPageOf(name string) (problemPage, bool) {
	for _, p := range problemPages() {
		if kebab(p.Code) == name {
			return p, true
		}
	}
	return problemPage{}, false
}

type problemText struct{ meaning, remedy, again string }

// problemWords explains each code to whoever writes or runs a client.
func problemWords() map[domain.Code]problemText {
	const held = " What a device sent is kept with its bytes under the held_id that the problem names; nothing of the crew's work is lost."
	return map[domain.Code]problemText{
		domain.BadJSON: {meaning: "The body could not be read as exactly one JSON value: its syntax or its UTF-8 is broken, a key stands twice, something follows the value, it is nested too deeply, or a number is beyond what can be computed with.",
			remedy: "Write the body with a JSON library and send nothing after it. The detail names the place where reading stopped."},
		domain.BadQuery: {meaning: "A query parameter is not known at this address, stands twice, is missing, or does not fit its shape. Parameters are never ignored: who sent one meant something by it.",
			remedy: "Compare with the parameters of the address; the problem lists those that it knows."},
		domain.BadMatch: {meaning: "The header If-Match says which version of a record is changed, and this one does not say it.",
			remedy: "Send one version in quotes, as it stands in the record's ETag: If-Match: \"3\"."},
		domain.CursorInvalid: {meaning: "The cursor was made for another caller, another list or other filters, or was changed on its way.",
			remedy: "Begin again without a cursor. Keep a cursor together with the filters that it was made with, and never build one."},
		domain.Unauthorized: {meaning: "No token came, or one that is unknown, mistyped or revoked. All of these read the same, so that nobody learns which tokens exist.",
			remedy: "Send the header Authorization: Bearer with the whole token. If it is right as far as you can see, ask the agency for a new one."},
		domain.DeviceRevoked: {meaning: "The device was reported lost or replaced, and its token ended with it.",
			remedy: "Delete the contacts of residents and all that the service has acknowledged. Keep unsent work sealed: the agency's staff can still deliver it as a file."},
		domain.Forbidden: {meaning: "The token is good, and its role may not do this.",
			remedy: "The page of each address names the roles that may call it. Ask somebody who holds one."},
		domain.DeviceClosing: {meaning: "The agency is taking the device out of use. It may still send records and pictures, and no longer pull.",
			remedy: "Send everything that is left, then hand the device in."},
		domain.NotFound: {meaning: "There is no such address, or no such thing that this caller may know of. What belongs to another program, or to a job that is not yours, is answered in the same way.",
			remedy: "Check the address and the id. If it was yours once, ask the agency what became of it."},
		domain.MethodNotAllowed: {meaning: "The address exists and does not take this method.",
			remedy: "The header Allow lists the methods that it takes."},
		domain.InProgress: {meaning: "The same piece of work was begun by another request and is not finished.",
			remedy: "Wait as long as the answer says, then ask again; you will get what the first request made.", again: "Yes, after the seconds that Retry-After names."},
		domain.EpochChanged: {meaning: "The service was brought back from a copy, and its history is not the one that the device knows. Nothing of the request was stored.",
			remedy: "Mark as unsent what you sent and still keep, pull from the cursor in after, or from 0, then push. Your copy heals what the service lost.", again: "Yes, after the wait and with the new epoch."},
		domain.VersionConflict: {meaning: "Somebody changed the record since the version that you changed. The newest one stands in the answer." + held,
			remedy: "Lay your change over the newest version, field by field, and send it with that version. Where both changed one field, show both to a person.", again: "On the version that stands, after a look at it."},
		domain.TooLarge: {meaning: "The body is larger than the address takes, counted after unpacking.",
			remedy: "Send it in parts: a batch may be split anywhere, a picture is sent in pieces."},
		domain.TooSlow: {meaning: "The body did not arrive in its time: 30 seconds, and up to 120 while at least 1 KiB a second arrives. Nothing of it was stored.",
			remedy: "Send less at once: halve the batch on each such answer, down to one record, and pack it with gzip.", again: "Yes, in smaller parts."},
		domain.UnsupportedMedia: {meaning: "The content type or the encoding is not one that the address takes.",
			remedy: "Records are application/json. Only batches may be packed with gzip, and pictures have content types of their own."},
		domain.Invalid: {meaning: "The body could be read, and some of its values cannot be: a key that is not known, a number outside its limits, times in the wrong order. Every such value is listed at once, with its place, its limit and its unit." + held,
			remedy: "Correct all that is listed and send it under the same id."},
		domain.ParentMissing: {meaning: "The record names another one that is not stored. A device's record waits and is applied by itself as soon as the other one comes.",
			remedy: "A device has nothing to do. Anybody else sends the other record first, or both in one batch, in any order."},
		domain.StateNotAllowed: {meaning: "A job makes certain moves only: assigned, in work, sent in by its crew; accepted, returned, deferred and opened again by a review.",
			remedy: "Look at the job's state and make the move that leads on from there; what a reviewer decides is sent as a review."},
		domain.NotAcceptable: {meaning: "Something about the job is still open. Listed are all findings that must be fixed, facts that must be recorded, questions that no reviewer answered, items that are held, and a final inspection where the program asks for one.",
			remedy: "Return the job to its crew, answer each question with a review, settle what is held, or lift a finding with a waiver that gives the reason and the consequence agreed on."},
		domain.JobNotAssigned: {meaning: "The job was given to another contractor or is closed." + held,
			remedy: "Tell the agency. Its staff can apply what you sent in your name.",
			again:  "Not while the job is with another. When the feed brings it again, unchanged: it is stored then."},
		domain.HomeHasOpenJob: {meaning: "A crew may begin a job by itself only at a home that has none open.",
			remedy: "Work on the open job if it is yours. Otherwise ask the agency, whose staff can open a second one."},
		domain.ExponentOutside: {meaning: "The readings of a fan test give an exponent that air leaking through ducts does not have. A good fit is no excuse: it shows that a reading, a range or a hose is wrong.",
			remedy: "Repeat the test. Look at the ring or range, the hoses, the registers, and whether something opened in between."},
		domain.DigestMismatch: {meaning: "The bytes of the picture are not those whose SHA-256 its record announced.",
			remedy: "Send the picture again from its first byte. If it happens twice, the file on the device has changed."},
		domain.OffsetMismatch: {meaning: "The part begins elsewhere than what came before it ends: an answer was lost, or two devices send one picture.",
			remedy: "Go on from received_count.", again: "Yes, from that byte on."},
		domain.ImageTooLarge: {meaning: "The picture has more than 40 million pixels. It is not decoded, so it cannot be shown.",
			remedy: "Set the camera to a smaller size and take the picture again as a new photo."},
		domain.ImageUnreadable: {meaning: "The bytes are those that the record announced, and they are no picture that can be opened: the file was cut or damaged on the device.",
			remedy: "Look whether the device has the picture whole. If it still can be seen, take it again as a new photo that replaces this one."},
		domain.ReplacesOther: {meaning: "A correction replaces a record of the same kind, job and method, and never in a circle.",
			remedy: "Name the record that is meant, or leave replaces out if this is a new reading or picture."},
		domain.NotReconciled: {meaning: "The month's totals do not follow from those of the month before plus what happened since, so a package of it could not be defended.",
			remedy: "Release the month before first. If that is done, the errors name the jobs whose figures differ, with what the package and the ledger say of each: tell whoever runs the service, with the trace id."},
		domain.SamePerson: {meaning: "What one person made, another has to release. Names count, not tokens; a token without a name counts for nobody.",
			remedy: "Let a second person do it, with a token that bears that person's name."},
		domain.UnfinishedPeriod: {meaning: "The month has not ended in the program's time zone, and its figures can still change.",
			remedy: "Wait for the first day of the next month. A draft can be made at any time."},
		domain.ClientTooOld: {meaning: "The app knows too little of the contract to understand what it would pull. What it has to deliver is still taken.",
			remedy: "Send what is left, then update the app."},
		domain.MatchRequired: {meaning: "The record exists, and the request did not say which version it changes. Without that, two people would overwrite each other.",
			remedy: "Read the record, and send your change with its ETag in If-Match.", again: "On the version that stands, after a look at it."},
		domain.QuotaExceeded: {meaning: "The token, or its whole program, sent more requests than its share. The headers RateLimit and RateLimit-Policy tell where you stand.",
			remedy: "Slow down: wait, then spread requests. Send many records in one batch, and ask with If-None-Match, which costs nothing when nothing changed."},
		domain.RangeUnsatisfiable: {meaning: "The part of a file that was asked for begins behind its end.",
			remedy: "Ask for the file's length with HEAD, and for a part that lies within it."},
		domain.HeaderTooLarge: {meaning: "Address and header fields together are longer than any client of this service needs.",
			remedy: "Look for cookies or headers that a proxy adds."},
		domain.Internal: {meaning: "Something failed that should not fail. Nothing of the request was stored.",
			remedy: "Send it again later: the same request has its effect at most once. If it goes on, tell whoever runs the service the trace id.", again: "Yes, later; sending again is harmless."},
		domain.Overloaded: {meaning: "The service has no room for this request at the moment. Packages and statistics are turned away first, the work of crews last.",
			remedy: "Wait as long as the answer says, and longer each time it happens again, by a random share."},
		domain.TimeLimit: {meaning: "The request took longer than its address allows. Nothing of it was stored.",
			remedy: "Ask for less: a shorter period, a smaller page, a smaller batch.", again: "Yes, for less."},
		domain.StorageFull: {meaning: "There is no space left to store this. What was acknowledged before is kept.",
			remedy: "Keep everything on the device and tell whoever runs the service.", again: "Yes, once there is space again."},
	}
}

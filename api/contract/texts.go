package contract

// Texts are what is said of the API as a whole.
func Texts() API {
	return API{
		Title: "ductledger", Version: "1.0.0", Schema: 1,
		Summary: "Duct sealing in manufactured homes, recorded in the field, judged, computed and reported.",
		Description: "Crews record what they opened, sealed, read and photographed, mostly without a signal; the service judges each job by\n" +
			"the program's rules, computes its leakage, compares contractors and makes the month's package for the funder.\n\n" +
			"**Words.** A *record* is exactly what is sent and never holds a field of the service. What is read is an *entry*: the\n" +
			"record with what the service knows of it (version, position, who, when) beside it. Records are never deleted; a void\n" +
			"record keeps its body. `position` numbers the accepted versions of a program 1, 2, 3 … without a gap.\n\n" +
			"**Values.** A quantity's name ends in its unit (`_pa _cfm _cfm25 _in _ft _ft2 _f _ppm _s`), a ratio is a fraction named\n" +
			"`_ratio`, a count `_count`, money an integer of US cents `_cents`. Times end in `_at`, days in `_on`. Absent means not\n" +
			"known; `null` is refused. `x-step` is the step of the instrument and is not enforced.\n\n" +
			"**Compatibility.** Requests are closed: an unknown, repeated or wrongly-cased key is refused with its place. Answers may\n" +
			"gain fields and enum values at any time, so a client skips what it does not know. `x-schema` counts the revisions of this\n" +
			"file; a field that came later says `x-since`.\n\n" +
			"**Every answer** has `Request-Id` (the caller's own if it sent a UUID), `RateLimit` and `RateLimit-Policy`. Every error is\n" +
			"a problem of RFC 9457 with a short `code`. A success is sent only after the commit, and sending the same again is harmless.\n\n" +
			"**Marks.** `x-roles` names the roles that may call an operation, and no other may; what of the program they then see\n" +
			"depends on the token. `x-timeout-s` is the operation's time limit in seconds. `x-not-told-to` names the roles whose answers\n" +
			"lack a field. `x-free-text` marks text that neither contractor nor funder is shown. `x-extensible-enum` lists the words\n" +
			"that are known today; more may come.\n",
		Tags: tags(), Headers: headers(), Problems: problems(),
	}
}

func tags() []Tag {
	return []Tag{
		{"Sync", "How a device starts, pulls and delivers."},
		{"Held items", "What was not accepted and is kept with its bytes."},
		{"Jobs judged", "What the rules found, and the computed leakage."},
		{"Calculations", "The computations alone. Nothing is stored."},
		{"Performance", "Contractors and program in figures."},
		{"Months", "The funder's monthly package."},
		{"Program", "Rule sets, contractors, their people, papers, instruments and devices."},
		{"People", "Who works with the program, how they and their phones get in, and what they did."},
		{"Homes and jobs", "Homes, residents, jobs, appointments, visits and call-backs."},
		{"Ducts", "Parts, crossovers, openings, repairs and energy isolations."},
		{"Readings and photos", "Never changed; a correction is a new record that names the one it replaces."},
		{"Pictures", "The bytes of photos. The record comes first; the bytes come after it, in parts, over any link."},
		{"Judgment", "Reviews, waivers and inspections."},
		{"Service", "Whether it runs and what it speaks."},
	}
}

// headers are the fields that requests and answers know.
func headers() map[string]Header {
	return map[string]Header{
		"Content-Disposition": {Description: "The file's name."},
		"Content-Encoding":    {Description: "The only encoding that is taken.", Words: []string{"gzip"}},
		"ETag":                {Description: "The version in quotes; of the feed its cursor, of a file its digest."},
		"Idempotent-Replay":   {Description: "`true` when the same was accepted before and nothing was changed now.", Words: []string{"true"}},
		"If-Match": {Description: "The version that is changed, in quotes. Not needed for a new record, nor to send the same again.",
			Pattern: `^"[1-9][0-9]{0,15}"$`, Example: `"3"`},
		"If-None-Match":    {Description: "The ETag that the caller has.", Longest: 400},
		"Location":         {Description: "The address of what was made."},
		"Range":            {Description: "A range of bytes.", Pattern: "^bytes=", Longest: 100},
		"Repr-Digest":      {Description: "SHA-256 of the whole file as RFC 9530 writes it."},
		"Retry-After":      {Description: "Seconds after which to try again.", Least: 1},
		"Upload-Complete":  {Example: "?1", Description: "`?1` on the last part of a picture, and in an answer once the whole picture is kept; else `?0` (RFC 9651).", Words: []string{"?0", "?1"}},
		"Upload-Offset":    {Description: "The byte of the picture at which a part begins; in an answer, how many have come.", Pattern: "^[0-9]{1,8}$", Example: "262144"},
		"WWW-Authenticate": {Description: "The challenge of RFC 6750."},
	}
}

// problems are the answers that are errors, by status.
func problems() map[string]Problem {
	return map[string]Problem{
		"400":     {"BadRequest", "Not one JSON value, or a query parameter that is unknown, repeated or malformed.", nil},
		"401":     {"Unauthorized", "No token, not one of ours, or of a device that was revoked.", []string{"WWW-Authenticate"}},
		"403":     {"Forbidden", "The role may not do this.", nil},
		"404":     {"NotFound", "Nothing there that the caller may know of; what another program owns is answered alike.", nil},
		"409":     {"Conflict", "A part of a picture begins elsewhere than what came before ends (`offset_mismatch`), the same work is under way (`in_progress`), or the service's history was restored or replaced (`epoch_changed`).", []string{"Retry-After"}},
		"412":     {"OtherVersion", "The record has another version by now; it stands in `current`.", nil},
		"413":     {"TooLarge", "The body is over its limit.", nil},
		"415":     {"UnsupportedMedia", "A content type or encoding that is not taken here.", nil},
		"422":     {"Invalid", "A value that the schema or the domain refuses; `errors` names every bad field.", nil},
		"426":     {"ClientTooOld", "The app must be updated before it may pull. Pushes are always taken.", nil},
		"428":     {"MatchRequired", "A change of an existing record needs If-Match.", nil},
		"429":     {"QuotaExceeded", "Over the caller's rate.", []string{"Retry-After"}},
		"503":     {"Unavailable", "The service cannot take this now. After a write the outcome is unknown: send the same again.", []string{"Retry-After"}},
		"507":     {"StorageFull", "There is no space left to store it.", nil},
		"default": {"OtherProblem", "Any other error.", nil},
		"416":     {"RangeUnsatisfiable", "The range lies outside the file.", nil},
	}
}

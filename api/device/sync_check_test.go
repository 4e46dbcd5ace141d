package device_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"

	"ductledger/domain"
)

// version is one entry of the ledger as staff read it.
type version struct {
	Kind     domain.Kind
	ID       domain.UUID
	Version  int64
	Position int64
	JobID    domain.UUID `json:"job_id"`
	Void     *struct{ Reason string }
	Record   json.RawMessage
	Resident json.RawMessage
}

func (v *version) key() string { return string(v.Kind) + "/" + v.ID.String() }

// book is the whole ledger, read by the feed and recomputed.
type book struct {
	versions map[string][]*version // by record, from version 1
	order    []string
}

func (b *book) newest(key string) *version { return b.versions[key][len(b.versions[key])-1] }

// readBook reads the ledger and holds it to its rules: positions without a
// gap, each record's versions from 1 on, each once, and a chain of SHA-256
// over the canonical entries from 32 zero bytes to the head.
func (g *agency) readBook() *book {
	g.t.Helper()
	b := &book{versions: map[string][]*version{}}
	var link [32]byte
	position := int64(0)
	for more := true; more; {
		var page struct {
			Items []json.RawMessage
			More  bool
		}
		g.office(http.MethodGet, fmt.Sprintf("/v1/changes?versions=all&limit=500&after=%d", position), nil).Want(http.StatusOK).Into(&page)
		more = page.More
		for _, text := range page.Items {
			var v version
			var members map[string]json.RawMessage
			if json.Unmarshal(text, &v) != nil || json.Unmarshal(text, &members) != nil {
				g.t.Fatalf("no entry: %s", text)
			}
			delete(members, "op")
			delete(members, "resident")
			delete(members, "texts_salt")
			leaveTextsEmpty(members)
			plain, err := json.Marshal(members)
			if err != nil {
				g.t.Fatal(err)
			}
			link = sha256.Sum256(append(link[:], canonical(plain)...))
			if position++; v.Position != position {
				g.t.Errorf("position %d follows %d", v.Position, position-1)
			}
			if b.versions[v.key()] == nil {
				b.order = append(b.order, v.key())
			}
			b.versions[v.key()] = append(b.versions[v.key()], &v)
			if n := len(b.versions[v.key()]); v.Version != int64(n) {
				g.t.Errorf("%s: version %d is the %d. in the ledger", v.key(), v.Version, n)
			}
		}
	}
	var start struct {
		HeadPosition int64  `json:"head_position"`
		HeadLink     string `json:"head_link"`
	}
	g.office(http.MethodGet, "/v1/sync", nil).Into(&start)
	if start.HeadPosition != position || start.HeadLink != hex.EncodeToString(link[:]) {
		g.t.Errorf("the head is %d %s, recomputed %d %x", start.HeadPosition, start.HeadLink, position, link)
	}
	return b
}

// seenBy are the records that a contractor's crew may see: rule sets, its own
// papers and things, its open and called-back jobs whole, and their homes.
func (b *book) seenBy(contractor domain.UUID) map[string]bool {
	seen, open := map[string]bool{}, map[domain.UUID]bool{}
	decode := func(v *version, into any) { _ = json.Unmarshal(v.Record, into) }
	called := map[domain.UUID]bool{}
	for _, key := range b.order {
		v := b.newest(key)
		var c domain.CallBack
		if v.Kind == domain.CallBackKind && v.Void == nil {
			if decode(v, &c); c.ClosedOn == "" {
				called[c.JobID] = true
			}
		}
	}
	for _, key := range b.order {
		v := b.newest(key)
		if v.Kind != domain.JobKind {
			continue
		}
		var job domain.Job
		decode(v, &job)
		if v.Void == nil && job.ContractorID == contractor && (job.State.Open() || called[v.ID]) {
			open[v.ID] = true
			seen["home/"+job.HomeID.String()] = true
		}
	}
	for _, key := range b.order {
		v := b.newest(key)
		var own struct {
			ContractorID *domain.UUID `json:"contractor_id"`
		}
		decode(v, &own)
		switch v.Kind {
		case domain.HomeKind:
		case domain.RuleSetKind:
			seen[key] = true
		case domain.ContractorKind:
			seen[key] = v.ID == contractor
		case domain.InstrumentKind:
			seen[key] = own.ContractorID == nil || *own.ContractorID == contractor
		case domain.DeviceKind:
			seen[key] = own.ContractorID != nil && *own.ContractorID == contractor
		default:
			seen[key] = open[v.JobID]
		}
	}
	return seen
}

// check holds the phones and the service to each other once all is quiet.
func (g *agency) check() {
	g.t.Helper()
	b := g.readBook()
	held := g.held("open", "waiting", "applied", "closed", "dismissed")
	for _, p := range g.phones {
		p.checkCopy(b)
		p.checkSums()
		p.checkAnswers(b, held)
	}
}

// checkCopy compares what the phone has with what it may see.
func (p *fieldPhone) checkCopy(b *book) {
	t, g := p.agency.t, p.agency
	t.Helper()
	seen := b.seenBy(g.contractors[p.contractor])
	has := map[string]bool{}
	for _, k := range p.Kept() {
		key := string(k.Kind) + "/" + k.ID.String()
		if k.Resident != nil && (k.Dropped || !seen[key]) {
			t.Errorf("%s keeps the contact of %s, which left its scope", p.name, key)
		}
		if k.Dropped || k.Version == 0 {
			continue
		}
		has[key] = true
		if !seen[key] {
			t.Errorf("%s has %s version %d, which it may not see", p.name, key, k.Version)
			continue
		}
		v := b.newest(key)
		if k.Version != v.Version || canonical(k.Record) != canonical(v.Record) || k.Voided != (v.Void != nil) {
			t.Errorf("%s has %s version %d (void: %v) %s,\nthe ledger %d (void: %v) %s", p.name, key, k.Version, k.Voided, k.Record, v.Version, v.Void != nil, v.Record)
		}
		if k.Kind == domain.HomeKind {
			p.checkContact(k.ID, k.Resident)
		}
	}
	for _, key := range b.order {
		if seen[key] && !has[key] {
			t.Errorf("%s lacks %s version %d", p.name, key, b.newest(key).Version)
		}
	}
}

// checkContact compares a resident with the service's.
func (p *fieldPhone) checkContact(home domain.UUID, kept []byte) {
	p.agency.t.Helper()
	var e version
	p.agency.office(http.MethodGet, "/v1/homes/"+home.String(), nil).Into(&e)
	if (kept == nil) != (e.Resident == nil) || kept != nil && canonical(kept) != canonical(e.Resident) {
		p.agency.t.Errorf("%s has the contact %s of home %s, the service %s", p.name, kept, home, e.Resident)
	}
}

// checkSums compares the phone's own sums with the service's.
func (p *fieldPhone) checkSums() {
	t := p.agency.t
	t.Helper()
	var start struct {
		Jobs []struct {
			JobID       domain.UUID `json:"job_id"`
			RecordCount int         `json:"record_count"`
			Checksum    string
		}
	}
	p.agency.a.Send(p.options.Token, http.MethodGet, "/v1/sync", nil).Want(http.StatusOK).Into(&start)
	sums, counts := p.Sums(), map[domain.UUID]int{}
	for _, k := range p.Kept() {
		if !k.Dropped && k.Version > 0 {
			counts[k.JobID]++
		}
	}
	if len(sums) != len(start.Jobs) {
		t.Errorf("%s has %d jobs, the service %d for it", p.name, len(sums), len(start.Jobs))
	}
	for _, job := range start.Jobs {
		if sums[job.JobID].String() != job.Checksum || counts[job.JobID] != job.RecordCount {
			t.Errorf("%s, job %s: %d records, sum %s; the service has %d, %s", p.name, job.JobID, counts[job.JobID], sums[job.JobID], job.RecordCount, job.Checksum)
		}
	}
	if cured, err := p.Check(context.Background()); cured > 0 || err != nil {
		t.Errorf("%s: %d jobs had to be cured, %v", p.name, cured, err)
	}
}

// checkAnswers holds the service to its word. In the history that stands, each
// accepted version is in the ledger with its content, and each refused item is
// held. Of what it said before a restore, the newest content that the phone
// was answered for is in the ledger again, or held for a person.
func (p *fieldPhone) checkAnswers(b *book, held []heldItem) {
	t := p.agency.t
	t.Helper()
	isHeld := map[string]bool{}
	contents := map[string]bool{} // that the service keeps somewhere
	for _, h := range held {
		isHeld[h.HeldID] = true
		contents[h.Kind+"/"+h.ID+" "+h.content()] = true
	}
	for key, versions := range b.versions {
		for _, v := range versions {
			contents[key+" "+v.content()] = true
		}
	}
	newest := map[string]answered{}
	for _, a := range p.answers {
		key := string(a.item.Kind) + "/" + a.item.ID.String()
		newest[key] = a
		if a.era < p.agency.era {
			continue
		}
		switch a.answer.Status {
		case "created", "updated", "replayed":
			versions := b.versions[key]
			n := a.answer.Version
			if n < 1 || n > int64(len(versions)) || versions[n-1].content() != a.content {
				t.Errorf("%s was told %s for %s version %d, the ledger has it not: %s", p.name, a.answer.Status, key, n, a.content)
			}
		case "conflict", "waiting", "rejected":
			if a.answer.HeldID == nil || !isHeld[a.answer.HeldID.String()] {
				t.Errorf("%s was told %s for %s, and it is not held: %s", p.name, a.answer.Status, key, a.content)
			}
		}
	}
	// Where the operator did not tell, only a lost position is noticed.
	if p.agency.epoch() == p.agency.restored && !p.agency.named {
		return
	}
	for key, a := range newest {
		if a.era < p.agency.era && !contents[key+" "+a.content] {
			t.Errorf("%s was told %s for %s before the restore, and it is lost: %s", p.name, a.answer.Status, key, a.content)
		}
	}
	if slices.ContainsFunc(p.answers, func(a answered) bool { return a.answer.Status == "" }) {
		t.Errorf("%s got an answer without a status", p.name)
	}
}

func (v *version) content() string {
	if v.Void != nil {
		return "void: " + v.Void.Reason
	}
	return canonical(v.Record)
}

// leaveTextsEmpty makes of an entry what the chain holds of it.
func leaveTextsEmpty(members map[string]json.RawMessage) {
	var kind domain.Kind
	if json.Unmarshal(members["kind"], &kind) == nil {
		members["record"], _ = domain.SplitTexts(kind, []byte(canonical(members["record"])))
	}
	var void map[string]string
	if json.Unmarshal(members["void"], &void) == nil && void != nil {
		void["reason"] = ""
		members["void"], _ = json.Marshal(void)
	}
}

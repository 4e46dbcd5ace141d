package device_test

import (
	"context"
	"encoding/json"
	"net/http"

	"ductledger/api/device/book"
	"ductledger/domain"
)

// readBook reads the ledger and what is held; what breaks their rules fails the test.
func (g *agency) readBook() *book.Book {
	g.t.Helper()
	b, broken, err := book.Read(g.get)
	if err != nil {
		g.t.Fatal(err)
	}
	for _, what := range broken {
		g.t.Error(what)
	}
	return b
}

// get reads an address as the office.
func (g *agency) get(path string, into any) error {
	g.t.Helper()
	g.office(http.MethodGet, path, nil).Want(http.StatusOK).Into(into)
	return nil
}

// seenBy are the records that a contractor's crew may see: rule sets, its own
// papers and things, its open and called-back jobs whole, and their homes.
func seenBy(b *book.Book, contractor domain.UUID) map[string]bool {
	seen, open := map[string]bool{}, map[domain.UUID]bool{}
	decode := func(v *book.Version, into any) { _ = json.Unmarshal(v.Record, into) }
	called := map[domain.UUID]bool{}
	for _, key := range b.Order {
		v := b.Newest(key)
		var c domain.CallBack
		if v.Kind == domain.CallBackKind && v.Void == nil {
			if decode(v, &c); c.ClosedOn == "" {
				called[c.JobID] = true
			}
		}
	}
	for _, key := range b.Order {
		v := b.Newest(key)
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
	for _, key := range b.Order {
		v := b.Newest(key)
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
	for _, p := range g.phones {
		p.checkCopy(b)
		p.checkSums()
		p.checkAnswers(b)
	}
}

// checkCopy compares what the phone has with what it may see.
func (p *fieldPhone) checkCopy(b *book.Book) {
	t, g := p.agency.t, p.agency
	t.Helper()
	seen := seenBy(b, g.contractors[p.contractor])
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
		v := b.Newest(key)
		if k.Version != v.Version || book.Canonical(k.Record) != book.Canonical(v.Record) || k.Voided != (v.Void != nil) {
			t.Errorf("%s has %s version %d (void: %v) %s,\nthe ledger %d (void: %v) %s", p.name, key, k.Version, k.Voided, k.Record, v.Version, v.Void != nil, v.Record)
		}
		if k.Kind == domain.HomeKind {
			p.checkContact(k.ID, k.Resident)
		}
	}
	for _, key := range b.Order {
		if seen[key] && !has[key] {
			t.Errorf("%s lacks %s version %d", p.name, key, b.Newest(key).Version)
		}
	}
}

// checkContact compares a resident with the service's.
func (p *fieldPhone) checkContact(home domain.UUID, kept []byte) {
	p.agency.t.Helper()
	var e book.Version
	p.agency.office(http.MethodGet, "/v1/homes/"+home.String(), nil).Into(&e)
	if (kept == nil) != (e.Resident == nil) || kept != nil && book.Canonical(kept) != book.Canonical(e.Resident) {
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
func (p *fieldPhone) checkAnswers(b *book.Book) {
	t := p.agency.t
	t.Helper()
	contents := map[string]bool{} // that the service keeps somewhere
	for i := range b.Held {
		contents[b.Held[i].Key()+" "+b.Held[i].Content()] = true
	}
	for key, versions := range b.Versions {
		for _, v := range versions {
			contents[key+" "+v.Content()] = true
		}
	}
	newest := map[string]answered{}
	for _, a := range p.answers {
		newest[a.Key()] = a
		if a.era < p.agency.era {
			continue
		}
		if lacks := b.Lacks(&a.Told); lacks != "" {
			t.Errorf("%s was told %s", p.name, lacks)
		}
	}
	// Where the operator did not tell, only a lost position is noticed.
	if p.agency.epoch() == p.agency.restored && !p.agency.named {
		return
	}
	for key, a := range newest {
		if a.era < p.agency.era && !contents[key+" "+a.Content()] {
			t.Errorf("%s was told %s for %s before the restore, and it is lost: %s", p.name, a.Answer.Status, key, a.Content())
		}
	}
}

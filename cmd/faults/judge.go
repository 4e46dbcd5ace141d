//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"ductledger/api/device/book"
	"ductledger/domain"
	"ductledger/domain/picture"
)

// restTime is how long the phones may take to deliver what they have, once all
// is well.
const restTime = 5 * time.Minute

// rest syncs all apps until nothing moves any more.
func (t *trial) rest(ctx context.Context) error {
	if err := t.restart(ctx); err != nil {
		return err
	}
	before := ""
	for began := time.Now(); time.Since(began) < restTime; {
		now, pending := "", 0
		var failed error
		for _, p := range t.programs {
			for _, a := range p.apps {
				if a.journal.dead {
					if err := a.open(); err != nil {
						return fmt.Errorf("%s does not start again: %w", a.name, err)
					}
				}
				failed = errors.Join(failed, a.Sync(ctx), a.SendPictures(ctx))
				told := len(a.told)
				pending += a.Pending()
				now += fmt.Sprint(told, " ")
			}
		}
		if failed == nil && pending == 0 && now == before {
			return nil
		}
		before = now
		if err := ctx.Err(); err != nil {
			return err
		}
		if failed != nil {
			t.say("%v", failed)
			time.Sleep(time.Second)
		}
	}
	return errors.New("stuck: the phones do not come to rest")
}

// judge compares what stands with what was told.
func (t *trial) judge(ctx context.Context) ([]string, error) {
	for _, p := range t.programs {
		b, broken, err := book.Read(t.getInto(p))
		if err != nil {
			return nil, err
		}
		for _, what := range broken {
			t.found("half: %s: %s", p.code, what)
		}
		var told []book.Told
		for _, a := range p.apps {
			told = append(told, a.told...)
			if a.broken != "" {
				t.found("%s", a.broken)
			}
			if cured, err := a.Check(ctx); err != nil || cured > 0 {
				t.found("lost: %s is out of step in %d jobs, %v", a.name, cured, err)
			}
			t.judgePictures(p, a, b)
		}
		for _, what := range compare(b, told) {
			t.found("%s: %s", p.code, what)
		}
		t.counts.versions += len(b.Order)
		for _, key := range b.Order {
			if b.Newest(key).Kind == domain.ReviewKind {
				t.counts.reviews++
			}
		}
		for i := range told {
			t.counts.answers[told[i].Answer.Status]++
		}
		t.judgeApart(p, b)
		for _, command := range [][]string{{"audit", "--program", p.code}, {"recompute", "--program", p.code}} {
			if _, err := t.ductledger(ctx, command...); err != nil {
				t.found("half: %s: %v", p.code, err)
			}
		}
		file := filepath.Join(t.folder, p.code+".zip")
		for _, command := range [][]string{{"export", "--program", p.code, "--month", thisMonth(), "--out", file}, {"verify", file}} {
			if _, err := t.ductledger(ctx, command...); err != nil {
				t.found("half: %s: %v", p.code, err)
			}
		}
	}
	return t.counts.findings(), nil
}

// compare is the oracle over one program: each answer is kept, each version in
// the ledger is one that somebody was told of, once, and what is held has a
// reason to be.
func compare(b *book.Book, told []book.Told) (findings []string) {
	note := func(format string, args ...any) { findings = append(findings, fmt.Sprintf(format, args...)) }
	type place struct {
		key     string
		version int64
	}
	known, sent, refused := map[place]bool{}, map[string]bool{}, map[string]bool{}
	for i := range told {
		one := &told[i]
		if lacks := b.Lacks(one); lacks != "" {
			note("lost: told %s", lacks)
		}
		if one.Accepted() {
			known[place{one.Key(), one.Answer.Version}] = true
		}
		sent[one.Key()] = true
		if strings.Contains(one.Content(), string(crooked)) {
			refused[one.Key()+one.Content()] = true
		}
	}
	applied := map[string]int{} // by record and content: a held item becomes one version
	for i := range b.Held {
		if b.Held[i].State == "applied" {
			applied[b.Held[i].Key()+b.Held[i].Content()]++
		}
	}
	standing := map[string]bool{} // ids of records that are there and not voided
	reviewed := map[string]bool{} // jobs on which the office decided
	moved := map[string]int{}     // by job and state: how often a review brought it there
	for _, key := range b.Order {
		if first := b.Versions[key][0]; first.Kind == domain.ReviewKind {
			reviewed[first.JobID.String()] = true
			if state := decided(first); state != "" {
				moved[first.JobID.String()+" "+state]++
			}
		}
	}
	for _, key := range b.Order {
		for _, v := range b.Versions[key] {
			made := key + v.Content()
			move := v.ID.String() + " " + stateOf(v)
			switch {
			case v.Kind == domain.JobKind && moved[move] > 0 && onlyMoved(b.Versions[key], v): // the service makes it with the review
				moved[move]--
			case known[place{key, v.Version}]:
			case applied[made] > 0:
				applied[made]--
			case sent[key]:
				note("doubled: %s version %d is nobody's: %s", key, v.Version, v.Content())
			case v.Kind != domain.RuleSetKind || len(b.Versions[key]) > 1: // the program's first rules come with it
				note("doubled: %s version %d was never sent", key, v.Version)
			}
		}
		newest := b.Newest(key)
		if newest.Void == nil {
			standing[newest.ID.String()] = true
		}
	}
	for move, missing := range moved {
		if missing > 0 {
			note("half: a review did not move its job: %s", move)
		}
	}
	keeps := map[string]bool{} // jobs of which something was held: that stops an acceptance
	for i := range b.Held {
		if h := &b.Held[i]; h.Kind != string(domain.ReviewKind) {
			keeps[jobOf(h)] = true
		}
	}
	for i := range b.Held {
		h := &b.Held[i]
		mustBe := h.Code == string(domain.NotAcceptable) && keeps[jobOf(h)] || refused[h.Key()+h.Content()] || closedToCrews(h.Code) && reviewed[jobOf(h)]
		if why := stuck(h, b, standing, mustBe); why != "" {
			note("stuck: %s is %s (%s) on version %d, %s: %.300s", h.Key(), h.State, h.Code, h.BaseVersion, why, h.Content())
		}
	}
	return findings
}

var uuid = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)

// stuck says why a held item has no reason to be held any more; empty: it has one,
// or it is settled.
func stuck(h *book.Held, b *book.Book, standing map[string]bool, mustBeRefused bool) string {
	versions := b.Versions[h.Key()]
	switch {
	case h.State == "waiting" && h.Void != nil && len(versions) == 0:
		return ""
	case h.State == "waiting":
		for _, id := range uuid.FindAllString(h.Content(), -1) {
			if !standing[id] {
				return ""
			}
		}
		return "and all that it refers to is there"
	case h.State != "open" || mustBeRefused:
		return ""
	case (h.Code == string(domain.VersionConflict) || h.Code == string(domain.StateNotAllowed)) && int64(len(versions)) > h.BaseVersion: // somebody else was faster
		return ""
	}
	return "and nothing was wrong with it"
}

// closedToCrews tells the refusals that follow from what the office decided on a job.
func closedToCrews(code string) bool {
	return code == string(domain.StateNotAllowed) || code == string(domain.JobNotAssigned)
}

// decided is the state into which a review brings its job; empty: into none.
func decided(review *book.Version) string {
	var of domain.Review
	_ = json.Unmarshal(review.Record, &of) // what is none decides nothing
	return map[domain.Decision]string{domain.Accept: string(domain.Accepted), domain.Return: string(domain.Returned)}[of.Decision]
}

// stateOf is the state of a job's version; empty for what is none.
func stateOf(v *book.Version) string {
	var of struct{ State string }
	_ = json.Unmarshal(v.Record, &of)
	return of.State
}

// onlyMoved tells that a version of a job is the one before it in another state.
func onlyMoved(versions []*book.Version, v *book.Version) bool {
	if v.Version < 2 || v.Void != nil {
		return false
	}
	before := versions[v.Version-2].Content()
	var members map[string]json.RawMessage
	if json.Unmarshal([]byte(before), &members) != nil {
		return false
	}
	members["state"], _ = json.Marshal(stateOf(v)) // strings always can
	moved, err := json.Marshal(members)
	return err == nil && book.Canonical(moved) == v.Content()
}

// jobOf is the job that a held item is about.
func jobOf(h *book.Held) string {
	var of struct {
		JobID string `json:"job_id"`
	}
	if domain.Kind(h.Kind) == domain.JobKind || json.Unmarshal(h.Record, &of) != nil {
		return h.ID
	}
	return of.JobID
}

// judgePictures asks for every picture that a phone took.
func (t *trial) judgePictures(p *program, a *app, b *book.Book) {
	for id, content := range a.album {
		key := string(domain.PhotoKind) + "/" + id.String()
		if len(b.Versions[key]) == 0 || b.Newest(key).Void != nil {
			continue // its record was refused, which the answers tell, or the app died before it was written
		}
		want, err := picture.Clean(bytes.NewReader(content), picture.DefaultLimits())
		if err != nil {
			t.found("%s: %v", key, err)
			continue
		}
		got, err := t.get(p, "/v1/photos/"+id.String()+"/bytes")
		switch {
		case err != nil:
			t.found("lost: the picture of %s: %v", key, err)
		case !bytes.Equal(got, want.Shown):
			t.found("half: the picture of %s has %d bytes, %d are expected", key, len(got), len(want.Shown))
		default:
			t.counts.pictures++
		}
	}
}

// judgeApart sees to it that nothing of a program stands in the other one.
func (t *trial) judgeApart(p *program, b *book.Book) {
	for _, other := range t.programs {
		if other == p {
			continue
		}
		for _, a := range other.apps {
			for i := range a.told {
				if key := a.told[i].Key(); len(b.Versions[key]) > 0 {
					t.found("leaked: %s of %s stands in %s", key, other.code, p.code)
				}
			}
		}
	}
}

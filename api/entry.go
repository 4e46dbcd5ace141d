package api

import (
	"encoding/hex"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// contactLease is how long a device may keep a resident's contact without
// pulling again.
const contactLease = 7 * 24 * time.Hour

// beside is what an answer shows of a record that is no part of its history.
type beside struct {
	op       string            // in the feed
	resident *storage.Resident // of a home
	heard    jsontext.Value    // of a device
	texts    *int              // that remain of a home whose resident was erased
	notes    []string          // of what a PUT just brought
}

// toldContractor tells the kinds that a contractor's office reads with their
// sentences, as its crew does: why a job was returned, what a waiver asks in
// return, what was complained about, and what was replied.
func toldContractor(kind domain.Kind) bool {
	return kind == domain.ReviewKind || kind == domain.WaiverKind || kind == domain.CallBackKind
}

// entryJSON is an entry as the caller may read it. From what staff read the
// chain can be made again: its texts and their salt are told beside their digest.
func (s *Server) entryJSON(caller domain.Caller, e *domain.Entry, more beside) jsontext.Value {
	shown := *e
	if caller.Role == domain.ContractorRole {
		shown.TokenID, shown.PersonID, shown.AppliedBy, shown.AppliedByPerson = domain.UUID{}, domain.UUID{}, domain.UUID{}, domain.UUID{}
		shown.ClockOffsetS, shown.ResidentRevision = nil, 0
		shown.Texts, more.resident = nil, nil
		if !toldContractor(e.Kind) {
			shown.Body = domain.WithoutTexts(e.Kind, e.Body)
		}
		if e.Void != nil {
			shown.Void = &domain.Void{VoidedAt: e.Void.VoidedAt}
		}
	}
	b := ledger.AppendEntry(nil, &shown)
	b = b[:len(b)-1]
	if e.Texts != nil && e.Texts.Salt != nil && caller.Role != domain.ContractorRole {
		b = hex.AppendEncode(append(b, `,"texts_salt":"`...), e.Texts.Salt)
		b = append(b, '"')
	}
	if e.Number > 0 && more.op == "" { // the feed is what the chain is made of
		b = strconv.AppendInt(append(b, `,"number":`...), e.Number, 10)
	}
	// From the feed as staff read it the chain is made again: it has nothing that changes.
	if e.BytesState != "" && caller.Role != domain.ContractorRole && (more.op == "" || caller.Scoped()) {
		b = append(b, `,"bytes_state":"`+string(e.BytesState)+`"`...)
	}
	if more.op != "" {
		b = append(b, `,"op":"`+more.op+`"`...)
	}
	if more.texts != nil {
		b = strconv.AppendInt(append(b, `,"texts_count":`...), int64(*more.texts), 10)
	}
	if len(more.notes) > 0 {
		if notes, err := json.Marshal(more.notes); err == nil { // texts of ours cannot fail
			b = append(append(b, `,"notes":`...), notes...)
		}
	}
	if more.heard != nil {
		b = append(append(b, `,"heard":`...), more.heard...)
	}
	if more.resident != nil {
		if contact, err := json.Marshal(more.resident); err == nil { // three texts cannot fail
			b = append(append(b, `,"resident":`...), contact...)
		}
		if caller.Role == domain.Field {
			b = append(b, `,"contact_until_at":"`+ledger.Stamp(s.now().Add(contactLease))+`"`...)
		}
	}
	return append(b, '}')
}

// Package ledger gives every version of a record its canonical form, its
// digest and its link in the program's chain.
//
// Content is the record as sent in the form of RFC 8785 (JSON
// Canonicalization Scheme): two spellings of one content have one SHA-256, so
// a repeated delivery is recognized whatever the order of its keys. A link is
//
//	link = SHA-256(previous link ‖ entry)
//
// where the first previous link is 32 zero bytes and entry is the RFC 8785
// form of what staff read in the feed, without "op" and "resident". Anybody
// with the feed can recompute the chain; a changed, missing or moved entry
// breaks every link after it. Integers over 2^53 lose digits in RFC 8785:
// the schema refuses them before they come here.
package ledger

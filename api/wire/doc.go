// Package wire holds the shapes on the wire that are not records: the envelope
// of a batch and its answer, pages, requests of calculations. Records
// themselves are domain's, since what is sent is what is kept and judged. It
// also checks what needs two fields of a record, with the tags that stand on
// the records; type, range and presence are the schema's business.
package wire

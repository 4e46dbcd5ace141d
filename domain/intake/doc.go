// Package intake decides what becomes of each item that arrives, against what
// is stored: created, updated, replayed, conflict, waiting or rejected.
//
// It answers for devices that send the same thing again, late, in any order
// and any split: an item's outcome depends on that item, on the store and on
// its parents in the same batch, never on the grouping. It is pure: storage
// reads the facts under lock, Sort decides, storage writes. Nothing here
// knows SQL or HTTP.
package intake

// Package picture makes of a picture that a phone sent what others may see.
//
// A picture as sent may hold where it was taken, which phone took it, a small
// picture of what was cut away, or bytes that are no picture. Clean reads the
// size from the first bytes before anything is decoded, decodes the picture,
// turns it upright and encodes it anew: what comes out holds its pixels and
// nothing else. The order matters, since the direction stands in the same
// metadata that is dropped.
//
// Sizes are in pixels. A picture of more than the limit is refused from its
// first bytes: 144 million pixels can be sent in half a megabyte and take half
// a gigabyte to decode.
//
// Digest tells pictures that look alike, also after they were scaled or
// encoded again: each bit says whether a field of a coarse grid is brighter
// than its neighbor to the right. It is a reason to look, not a proof.
//
// The encoders' output may differ between versions of Go; the digest that is
// in a record is always that of the bytes as they were sent.
package picture

// Package pictures takes the bytes of photos and gives out what of them others
// may see. It is a room over the core's transaction: rows tell how far each
// picture has come, a store of bytes (package photos) holds the rest.
//
// The record of a photo comes first, with a digest that nobody has seen; the
// bytes come after it, in parts, over links that break. A part is durable in the
// store before its row says so and before it is answered. A part that breaks off
// is kept as far as it came. When all have come, the SHA-256 of the record
// decides: other bytes are dropped, and the upload begins anew.
//
// What is shown was decoded, turned upright and encoded anew (package picture);
// the bytes as taken, which tell where a home is, are kept only where the program
// says so, for staff alone.
//
//	state     what is in the store under <program>/<photo>/
//	awaited   nothing
//	partial   part-<attempt>-<offset>, end to end from the beginning
//	stored    shown, thumbnail, and original where it is kept
//	refused   nothing: it can be sent again
//	erased    nothing: the row, the record and its digest stay
//
// A process may be killed at any moment. What the row does not name is written
// over by the next try or removed by Tidy; what the row says is left over is
// removed again and again until it is gone. No row ever says more than the store
// holds. The order of locks is that of a push: job, picture, program's head.
package pictures

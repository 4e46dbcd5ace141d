// Package photos keeps the bytes of pictures, apart from the database: a
// folder on disk, or a bucket of S3-compatible object storage.
//
// A store knows names and bytes. It knows no program, no role and no picture:
// who may read and what is served is decided by the service, through which all
// bytes pass. A name is made of path segments of lower-case letters, digits,
// '-' and '.', made by the service, never by a client.
//
// Put is all or nothing: after it answers, the bytes under the name are durable
// and whole; before, the name holds what it held. A store that is full answers
// ErrFull, one that cannot be reached ErrUnavailable: the sender tries again.
package photos

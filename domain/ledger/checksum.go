package ledger

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strconv"

	"ductledger/domain"
)

// A Checksum tells whether two places hold the same newest versions: the XOR
// of the first 8 bytes of SHA-256 over "kind/id/version" of each. Its order
// does not matter, and adding what is already in takes it out again.
type Checksum uint64

// Add takes one record's newest version in.
func (c Checksum) Add(kind domain.Kind, id domain.UUID, version int64) Checksum {
	sum := sha256.Sum256([]byte(string(kind) + "/" + id.String() + "/" + strconv.FormatInt(version, 10)))
	return c ^ Checksum(binary.BigEndian.Uint64(sum[:8]))
}

// String gives 16 hexadecimal digits.
func (c Checksum) String() string { return fmt.Sprintf("%016x", uint64(c)) }

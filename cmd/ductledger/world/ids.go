package world

import (
	"encoding/binary"
	"math/rand/v2"
	"time"

	"ductledger/domain"
)

// The ids that every demo makes alike. The examples of the contract name them.
const (
	FixedContractor = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d11"
	FixedLead       = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d12"
	FixedMember     = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d13"
	FixedInstrument = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d14"
	FixedCredential = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d15"
	FixedDevice     = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d16"
	FixedSpareHome  = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d20" // without a job: one can be started there
	FixedJob        = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d21" // in work, by the fixed contractor
	FixedHome       = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d22" // of the fixed job
	FixedJoint      = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d30" // its furnace joint
	FixedBoot       = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d31"
	FixedOtherBoot  = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d32"
	FixedOpening    = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d33" // in its duct, by the crew
)

// fixed reads one of the ids above; a mistyped one is the zero id, which a
// test would find.
func fixed(text string) domain.UUID {
	id, _ := domain.ParseUUID(text)
	return id
}

// dice are one generator with the draws that are needed here.
type dice struct{ *rand.Rand }

func newDice(seed, number uint64) dice { return dice{rand.New(rand.NewPCG(seed, number))} }

// id makes an id in the form of UUIDv7 (RFC 9562): the moment in milliseconds,
// then drawn bits.
func (d dice) id(at time.Time) (id domain.UUID) {
	binary.BigEndian.PutUint64(id[:8], uint64(at.UnixMilli())<<16|d.Uint64()>>48)
	binary.BigEndian.PutUint64(id[8:], d.Uint64())
	id[6] = 0x70 | id[6]&0x0f
	id[8] = 0x80 | id[8]&0x3f
	return id
}

// chance is true with a probability.
func (d dice) chance(p float64) bool { return d.Float64() < p }

// between draws a whole number, both ends included.
func (d dice) between(low, high int) int { return low + d.IntN(high-low+1) }

// pick draws one of a list.
func pick[T any](d dice, list ...T) T { return list[d.IntN(len(list))] }

// ID makes an id as an app does, from a given generator and clock.
func ID(r *rand.Rand, at time.Time) domain.UUID { return dice{r}.id(at) }

package draws

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"math"

	"ductledger/domain"
)

// uniform is the number from 0 up to 1 that a text has under a seed.
func uniform(seed []byte, text string) float64 {
	mac := hmac.New(sha256.New, seed)
	mac.Write([]byte(text))
	return fraction(mac.Sum(nil))
}

// fraction is the first 53 bits of a digest as a fraction: every float64 has
// that many, so that all languages read the same number.
func fraction(digest []byte) float64 {
	return float64(binary.BigEndian.Uint64(digest)>>11) / (1 << 53)
}

// share is a percentage as the fraction that numbers are held against.
func share(percent int) float64 { return float64(percent) / 100 }

// DrawnAsItComes tells whether a job is drawn the moment it is sent in, or, with
// visit, for a visit during the work.
func DrawnAsItComes(seed []byte, job domain.UUID, percent int, visit bool) bool {
	text := job.String()
	if visit {
		text = "visit/" + text
	}
	return uniform(seed, text) < share(percent)
}

// Below is the digest that a number's must stand before, byte by byte, for the number
// to be below a percentage: what a database compares. Nothing stands before none.
func Below(percent int) []byte {
	if percent >= 100 {
		return bytes.Repeat([]byte{0xff}, 9) // one more than a digest's first 8
	}
	if percent <= 0 {
		return []byte{}
	}
	return binary.BigEndian.AppendUint64(nil, uint64(math.Ceil(share(percent)*(1<<53)))<<11)
}

// Keys are a seed as RFC 2104 mixes it into the inner and the outer hash.
func Keys(seed []byte) (inner, outer []byte) {
	inner, outer = bytes.Repeat([]byte{0x36}, sha256.BlockSize), bytes.Repeat([]byte{0x5c}, sha256.BlockSize)
	for i, b := range seed[:min(len(seed), sha256.BlockSize)] {
		inner[i], outer[i] = inner[i]^b, outer[i]^b
	}
	return inner, outer
}

// SeedDigest is what is told of a seed before the month: its SHA-256.
func SeedDigest(seed []byte) [32]byte { return sha256.Sum256(seed) }

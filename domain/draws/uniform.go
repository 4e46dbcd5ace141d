package draws

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
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

// SeedDigest is what is told of a seed before the month: its SHA-256.
func SeedDigest(seed []byte) [32]byte { return sha256.Sum256(seed) }

package frame

import (
	"bytes"
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"io"
	"strings"

	"ductledger/domain"
)

// A token's text is "dl_" and 64 letters, the base32 of
//
//	program's id (16 bytes) ‖ secret (20 random bytes) ‖ check (4 bytes)
//
// where check is the beginning of SHA-256 over the 36 bytes before it. So the
// program is known before the first look-up, and a mistyped token costs none
// (one in 2^32 gets through to it). 40 bytes are 64 letters without padding.
//
// A session's text, which a browser keeps in a cookie, and that of a link for
// one use are made alike behind prefixes of their own: one is never taken for
// another.
const (
	tokenPrefix   = "dl_"
	SessionPrefix = "dls_"
	LinkPrefix    = "dll_"
	tokenSecret   = 20 // bytes, 160 bits
	tokenCheck    = 4  // bytes
	tokenBytes    = 16 + tokenSecret + tokenCheck
	tokenAlphabet = "abcdefghijklmnopqrstuvwxyz234567" // RFC 4648 §6 in lower case
	tokenLetters  = tokenBytes * 8 / 5
)

// tokenBase32 is strict about case: one token has one spelling, since what is
// stored is the digest of the text.
func tokenBase32() *base32.Encoding {
	return base32.NewEncoding(tokenAlphabet).WithPadding(base32.NoPadding)
}

// NewToken makes a token for a program. The text is shown once; the digest,
// SHA-256 of the text, is what is stored.
func NewToken(program domain.UUID, random io.Reader) (text string, digest [32]byte, err error) {
	return NewSecret(tokenPrefix, program, random)
}

// NewSecret is NewToken with a prefix.
func NewSecret(prefix string, program domain.UUID, random io.Reader) (text string, digest [32]byte, err error) {
	raw := make([]byte, 0, tokenBytes)
	raw = append(raw, program[:]...)
	raw = raw[:len(program)+tokenSecret]
	if _, err := io.ReadFull(random, raw[len(program):]); err != nil {
		return "", digest, fmt.Errorf("random secret of a token: %w", err)
	}
	sum := sha256.Sum256(raw)
	raw = append(raw, sum[:tokenCheck]...)
	text = prefix + tokenBase32().EncodeToString(raw)
	return text, sha256.Sum256([]byte(text)), nil
}

// ParseToken reads a token's text. It is not ok when the text was not made by
// NewToken; that the token is known is for the look-up by digest to say.
func ParseToken(text string) (program domain.UUID, digest [32]byte, ok bool) {
	return ParseSecret(tokenPrefix, text)
}

// ParseSecret is ParseToken with a prefix.
func ParseSecret(prefix, text string) (program domain.UUID, digest [32]byte, ok bool) {
	letters, found := strings.CutPrefix(text, prefix)
	// The decoder skips line ends, so count and look before it does.
	if !found || len(letters) != tokenLetters || strings.ContainsAny(letters, "\r\n") {
		return program, digest, false
	}
	raw, err := tokenBase32().DecodeString(letters)
	if err != nil || len(raw) != tokenBytes {
		return program, digest, false
	}
	body, check := raw[:tokenBytes-tokenCheck], raw[tokenBytes-tokenCheck:]
	sum := sha256.Sum256(body)
	if !bytes.Equal(check, sum[:tokenCheck]) {
		return program, digest, false
	}
	copy(program[:], body)
	return program, sha256.Sum256([]byte(text)), true
}

// bearer takes the token out of an Authorization header; empty when there is
// none or the scheme is another.
func bearer(header string) string {
	scheme, text, found := strings.Cut(header, " ")
	if !found || !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimLeft(text, " ")
}

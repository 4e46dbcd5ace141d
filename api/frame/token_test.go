package frame

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"ductledger/domain"

	"pgregory.net/rapid"
)

// The text and its digest were made with Python's base64 and hashlib:
// raw = id + bytes(range(20)); raw += sha256(raw)[:4]; "dl_" + b32encode(raw).lower()
const (
	knownToken  = "dl_agjkaaaaabyabaaaaaaaaaaaaeaacaqdaqcqmbyibefawdanbyhraeiscp5h56lu"
	knownDigest = "936acf7b0bbef18e8f5af40e61c8077007bb693892084eeabc3ae2a634c8c891"
)

func ExampleNewToken() {
	program, _ := domain.ParseUUID("0192a000-0000-7000-8000-000000000001")
	secret := make([]byte, 20)
	for i := range secret {
		secret[i] = byte(i) // crypto/rand.Reader in earnest
	}
	text, digest, _ := NewToken(program, bytes.NewReader(secret))
	fmt.Println(len(text), text[:10])
	known, again, ok := ParseToken(text)
	fmt.Println(known, again == digest, ok)
	// Output:
	// 67 dl_agjkaaa
	// 0192a000-0000-7000-8000-000000000001 true true
}

func TestTokenAgainstPython(t *testing.T) {
	program, err := domain.ParseUUID("0192a000-0000-7000-8000-000000000001")
	if err != nil {
		t.Fatal(err)
	}
	secret := make([]byte, 20)
	for i := range secret {
		secret[i] = byte(i)
	}
	text, digest, err := NewToken(program, bytes.NewReader(secret))
	if err != nil || text != knownToken || hex.EncodeToString(digest[:]) != knownDigest {
		t.Errorf("%s %x %v", text, digest, err)
	}
	if _, _, err := NewToken(program, bytes.NewReader(secret[:19])); err == nil {
		t.Error("a short source of randomness goes unnoticed")
	}
}

func TestTokenIsStrict(t *testing.T) {
	for name, text := range map[string]string{
		"upper case":   strings.ToUpper(knownToken),
		"letters up":   "dl_" + strings.ToUpper(knownToken[3:]),
		"no prefix":    knownToken[3:],
		"other prefix": "dk_" + knownToken[3:],
		"one short":    knownToken[:66],
		"one long":     knownToken + "a",
		"padded":       knownToken + "=",
		"line end":     knownToken[:66] + "\n",
		"line between": knownToken[:30] + "\n" + knownToken[31:],
		"digit 1":      knownToken[:66] + "1",
		"empty":        "",
		"space":        " " + knownToken[1:],
	} {
		if _, _, ok := ParseToken(text); ok {
			t.Errorf("%s: taken", name)
		}
	}
}

// One wrong letter is noticed without a look-up: each letter is 5 bits of the
// 40 bytes, and a change of the check itself fails too.
func TestTokenNoticesATypingError(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var program domain.UUID
		copy(program[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "program"))
		secret := rapid.SliceOfN(rapid.Byte(), 20, 20).Draw(t, "secret")
		text, digest, err := NewToken(program, bytes.NewReader(secret))
		if err != nil {
			t.Fatal(err)
		}
		got, again, ok := ParseToken(text)
		if !ok || got != program || again != digest {
			t.Fatalf("%s does not come back", text)
		}
		at := rapid.IntRange(3, 66).Draw(t, "at")
		by := rapid.IntRange(1, 31).Draw(t, "by")
		wrong := []byte(text)
		wrong[at] = tokenAlphabet[(strings.IndexByte(tokenAlphabet, wrong[at])+by)%32]
		if _, _, ok := ParseToken(string(wrong)); ok {
			t.Fatalf("%s is taken for %s", wrong, text)
		}
	})
}

func TestBearer(t *testing.T) {
	for header, want := range map[string]string{
		"Bearer x": "x", "bearer x": "x", "Bearer  x": "x", "Bearer": "", "": "", "Basic x": "", "x": "", "Bearerx": "",
	} {
		if got := bearer(header); got != want {
			t.Errorf("%q gives %q, want %q", header, got, want)
		}
	}
}

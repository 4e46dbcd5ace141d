package people

import (
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"io"
	"strings"

	"ductledger/domain"
	"ductledger/storage"
)

// A code is the program's code and twelve letters or digits in groups of four.
// They are 60 random bits; none of them is I, L, O or U, which are read for
// others (the alphabet of Douglas Crockford's base 32). [mem]
const (
	codeAlphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	codeLetters  = 12
	codeGroup    = 4
)

// NewCode makes a code for one use. The digest is what is stored.
func NewCode(program string, random io.Reader) (text string, digest [32]byte, err error) {
	raw := make([]byte, codeLetters*5/8+1)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", digest, fmt.Errorf("random letters of a code: %w", err)
	}
	letters := base32.NewEncoding(codeAlphabet).WithPadding(base32.NoPadding).EncodeToString(raw)[:codeLetters]
	text = program
	for at := 0; at < codeLetters; at += codeGroup {
		text += "-" + letters[at:at+codeGroup]
	}
	return text, codeDigest(storage.ProgramID(program), letters), nil
}

// ParseCode reads a code as people type it: in either case, with or without
// hyphens and spaces, with O for 0 and I or L for 1.
func ParseCode(text string) (program domain.UUID, digest [32]byte, ok bool) {
	text = strings.ToUpper(strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, text))
	if len(text) <= codeLetters {
		return program, digest, false
	}
	name, letters := text[:len(text)-codeLetters], text[len(text)-codeLetters:]
	letters = strings.NewReplacer("O", "0", "I", "1", "L", "1").Replace(letters)
	if strings.Trim(letters, codeAlphabet) != "" || strings.Trim(name, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_") != "" {
		return program, digest, false
	}
	program = storage.ProgramID(name)
	return program, codeDigest(program, letters), true
}

func codeDigest(program domain.UUID, letters string) [32]byte {
	return sha256.Sum256([]byte("enrollment/" + program.String() + "/" + letters))
}

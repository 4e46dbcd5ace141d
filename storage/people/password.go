package people

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"ductledger/domain"
	"ductledger/storage"

	"golang.org/x/crypto/argon2"
)

// What a password costs to try: 19 MiB, twice over, on one lane. [mem] OWASP
// Password Storage Cheat Sheet, argon2id.
const (
	argonMemoryKiB = 19 * 1024
	argonTime      = 2
	argonLanes     = 1
	saltBytes      = 16 // [mem] RFC 9106, section 3.1
	keyBytes       = 32
)

// Letters of a password. Length is what makes one hard to guess; no kind of
// letter is asked for. [mem] NIST SP 800-63B-4, section 3.1.1.2.
const (
	passwordLeast = 15
	passwordMost  = 200
)

// trying bounds how many passwords are tried at a time: each takes memory.
var trying = make(chan struct{}, 2)

func tried(ctx context.Context, do func()) error {
	select {
	case trying <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-trying }()
	do()
	return nil
}

// checkPassword says what keeps a text from being the person's password.
func checkPassword(password, name string) error {
	fault := func(code, detail, fix string) error {
		return &domain.Error{Code: domain.Invalid, Detail: detail, Faults: []domain.Fault{{Pointer: "/password", Code: code, Detail: detail, Fix: fix}}}
	}
	n := utf8.RuneCountInString(password)
	fold := storage.NameKey(password)
	switch {
	case n < passwordLeast:
		return fault("too_short", fmt.Sprintf("the password has %d characters, it needs %d", n, passwordLeast), "take four or five words that do not belong together")
	case n > passwordMost:
		return fault("too_long", fmt.Sprintf("the password has %d characters, at most %d are taken", n, passwordMost), "shorten it")
	case strings.Contains(fold, storage.NameKey(name)):
		return fault("guessable", "the password has your name in it", "take words that nobody connects with you")
	case alike(fold):
		return fault("guessable", "the password repeats one or two characters", "take four or five words that do not belong together")
	}
	return nil
}

// alike tells a text of at most two characters.
func alike(text string) bool {
	seen := map[rune]bool{}
	for _, r := range text {
		seen[r] = true
	}
	return len(seen) <= 2
}

// hashPassword is how a password is stored, in the usual form of argon2id.
func hashPassword(ctx context.Context, password string) (encoded string, err error) {
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // never fails, by its documentation
	err = tried(ctx, func() {
		key := argon2.IDKey([]byte(password), salt, argonTime, argonMemoryKiB, argonLanes, keyBytes)
		encoded = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemoryKiB, argonTime, argonLanes,
			base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key))
	})
	return encoded, err
}

// nobody's password is tried for a name that is not known, so that the answer
// comes as late as for one that is.
const nobody = "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5IGhhcyB0aGlzIQ$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// passwordFits tells whether the stored form is of this password; where none is
// stored it takes as long to say no.
func passwordFits(ctx context.Context, stored *string, password string) (fits bool, err error) {
	encoded := nobody
	if stored != nil {
		encoded = *stored
	}
	var version, memory, time uint32
	var lanes uint8
	parts := strings.Split(encoded, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false, fmt.Errorf("a stored password cannot be read")
	}
	if _, err := fmt.Sscanf(parts[2]+" "+parts[3], "v=%d m=%d,t=%d,p=%d", &version, &memory, &time, &lanes); err != nil || version != argon2.Version {
		return false, fmt.Errorf("a stored password cannot be read: %w", err)
	}
	salt, err := base64.RawStdEncoding.DecodeString(parts[4])
	if err != nil {
		return false, fmt.Errorf("a stored password cannot be read: %w", err)
	}
	key, err := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil {
		return false, fmt.Errorf("a stored password cannot be read: %w", err)
	}
	if utf8.RuneCountInString(password) > passwordMost {
		return false, nil
	}
	err = tried(ctx, func() {
		fits = subtle.ConstantTimeCompare(argon2.IDKey([]byte(password), salt, time, memory, lanes, uint32(len(key))), key) == 1 && stored != nil
	})
	return fits, err
}

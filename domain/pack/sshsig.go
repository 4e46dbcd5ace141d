package pack

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
)

// SignatureNamespace is the -n of ssh-keygen: a signature made for another
// purpose with the same key does not count here.
const SignatureNamespace = "file"

const (
	sshKeyType = "ssh-ed25519"
	sigMagic   = "SSHSIG"
	sigHash    = "sha512"
	sigBegin   = "-----BEGIN SSH SIGNATURE-----"
	sigEnd     = "-----END SSH SIGNATURE-----"
)

// sign makes a signature in OpenSSH's format (PROTOCOL.sshsig [from memory];
// a test lets ssh-keygen read it): what is signed is
//
//	"SSHSIG" string(namespace) string("") string("sha512") string(SHA-512(message))
//
// golang.org/x/crypto/ssh is not used: it links net, and this must run
// anywhere.
func sign(key ed25519.PrivateKey, message []byte) []byte {
	pub := key.Public().(ed25519.PublicKey)
	b := append([]byte(sigMagic), 0, 0, 0, 1)
	b = appendString(b, sshPublic(pub))
	b = appendString(b, []byte(SignatureNamespace))
	b = appendString(b, nil)
	b = appendString(b, []byte(sigHash))
	b = appendString(b, appendString(appendString(nil, []byte(sshKeyType)), ed25519.Sign(key, signed(message))))
	return armor(b)
}

func armor(b []byte) []byte {
	var out bytes.Buffer
	out.WriteString(sigBegin + "\n")
	for text := base64.StdEncoding.EncodeToString(b); text != ""; {
		n := min(70, len(text))
		out.WriteString(text[:n] + "\n")
		text = text[n:]
	}
	out.WriteString(sigEnd + "\n")
	return out.Bytes()
}

func signed(message []byte) []byte {
	digest := sha512.Sum512(message)
	b := appendString([]byte(sigMagic), []byte(SignatureNamespace))
	b = appendString(b, nil)
	b = appendString(b, []byte(sigHash))
	return appendString(b, digest[:])
}

// openSignature gives the key that made the signature of the message.
func openSignature(armored, message []byte) (ed25519.PublicKey, error) {
	body, ok := strings.CutPrefix(string(armored), sigBegin+"\n")
	body, _, ok2 := strings.Cut(body, sigEnd)
	if !ok || !ok2 {
		return nil, errors.New("is not an SSH signature")
	}
	b, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(body, "\n", ""))
	if err != nil || !bytes.HasPrefix(b, append([]byte(sigMagic), 0, 0, 0, 1)) {
		return nil, errors.New("is not an SSH signature of version 1")
	}
	// base64 has several texts for the same bytes: take one only, so that no
	// byte of a package can change unseen.
	if !bytes.Equal(armor(b), armored) {
		return nil, errors.New("is not written as ssh-keygen writes it")
	}
	var f [5][]byte // key, namespace, reserved, hash, signature
	for i, rest := 0, b[len(sigMagic)+4:]; i < len(f); i++ {
		if f[i], rest, ok = cutString(rest); !ok || i == 4 && len(rest) > 0 {
			return nil, errors.New("is a damaged SSH signature")
		}
	}
	pub, err := parsePublic(f[0])
	if err != nil {
		return nil, err
	}
	if string(f[1]) != SignatureNamespace || string(f[3]) != sigHash {
		return nil, fmt.Errorf("was made for %q with %q, expected are %q and %q", f[1], f[3], SignatureNamespace, sigHash)
	}
	typ, rest, ok := cutString(f[4])
	raw, rest, ok2 := cutString(rest)
	if !ok || !ok2 || len(rest) > 0 || string(typ) != sshKeyType || !ed25519.Verify(pub, signed(message), raw) {
		return nil, errors.New("does not belong to this file")
	}
	return pub, nil
}

func sshPublic(pub ed25519.PublicKey) []byte {
	return appendString(appendString(nil, []byte(sshKeyType)), pub)
}

func parsePublic(b []byte) (ed25519.PublicKey, error) {
	typ, rest, ok := cutString(b)
	key, rest, ok2 := cutString(rest)
	if !ok || !ok2 || len(rest) > 0 || string(typ) != sshKeyType || len(key) != ed25519.PublicKeySize {
		return nil, errors.New("the key is not an Ed25519 key of SSH")
	}
	return ed25519.PublicKey(key), nil
}

// PublicKeyLine writes a key as in a .pub file: ssh-ed25519 AAAA….
func PublicKeyLine(pub ed25519.PublicKey) string {
	return sshKeyType + " " + base64.StdEncoding.EncodeToString(sshPublic(pub))
}

// ParsePublicKey reads a line of a .pub file; a comment after it is ignored.
func ParsePublicKey(line string) (ed25519.PublicKey, error) {
	f := strings.Fields(line)
	if len(f) < 2 || f[0] != sshKeyType {
		return nil, errors.New("public key: ssh-ed25519 and its base64 text are expected")
	}
	b, err := base64.StdEncoding.DecodeString(f[1])
	if err != nil {
		return nil, errors.New("public key: the second word is not base64")
	}
	return parsePublic(b)
}

// Fingerprint is the key's short name, as ssh-keygen -l prints it.
func Fingerprint(pub ed25519.PublicKey) string {
	digest := sha256.Sum256(sshPublic(pub))
	return "SHA256:" + base64.RawStdEncoding.EncodeToString(digest[:])
}

func appendString(b, s []byte) []byte {
	return append(binary.BigEndian.AppendUint32(b, uint32(len(s))), s...)
}

func cutString(b []byte) (s, rest []byte, ok bool) {
	if len(b) < 4 {
		return nil, nil, false
	}
	n := uint64(binary.BigEndian.Uint32(b))
	if n > uint64(len(b)-4) {
		return nil, nil, false
	}
	return b[4 : 4+n], b[4+n:], true
}

package access

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Cost of a password hash: the second recommended option of RFC 9106, section 4 (64 MiB, three passes, four lanes),
// read from memory.
const (
	argonTime   = 3
	argonMemory = 64 << 10 // KiB
	argonLanes  = 4
	argonKey    = 32
	argonSalt   = 16
)

// Lengths of a password in characters. 15 is what NIST SP 800-63B-4 asks of a password that is the only factor
// (from memory); the upper bound keeps hashing bounded.
const (
	MinPassword = 15
	MaxPassword = 200
)

// ErrPassword says what a password must be.
var ErrPassword = fmt.Errorf("a password has %d to %d characters and is not the login name repeated", MinPassword, MaxPassword)

func checkPassword(name, password string) error {
	n := utf8.RuneCountInString(password)
	rest := strings.ReplaceAll(strings.ToLower(password), strings.ToLower(name), "")
	if !utf8.ValidString(password) || n < MinPassword || n > MaxPassword || len(rest) < MinPassword/2 {
		return ErrPassword
	}
	return nil
}

// hashing bounds how many hashes are made at once: each takes 64 MiB.
var hashing = make(chan struct{}, 2)

func argon(password string, salt []byte) []byte {
	hashing <- struct{}{}
	defer func() { <-hashing }()
	return argon2.IDKey([]byte(password), salt, argonTime, argonMemory, argonLanes, argonKey)
}

// hashPassword gives the hash in the usual $argon2id$ form.
func hashPassword(password string) string {
	salt := make([]byte, argonSalt)
	_, _ = rand.Read(salt) // crypto/rand.Read never fails
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemory, argonTime, argonLanes,
		b64.EncodeToString(salt), b64.EncodeToString(argon(password, salt)))
}

// errHash: the kept hash is not one of ours.
var errHash = errors.New("kept password hash is not readable")

// verifyPassword compares in constant time. Hashes of other costs are refused: none were ever made.
func verifyPassword(hash, password string) (bool, error) {
	f := strings.Split(hash, "$")
	cost := fmt.Sprintf("m=%d,t=%d,p=%d", argonMemory, argonTime, argonLanes)
	if len(f) != 6 || f[1] != "argon2id" || f[2] != fmt.Sprintf("v=%d", argon2.Version) || f[3] != cost {
		return false, errHash
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(f[4])
	want, err2 := base64.RawStdEncoding.DecodeString(f[5])
	if err1 != nil || err2 != nil || len(want) != argonKey {
		return false, errHash
	}
	return subtle.ConstantTimeCompare(argon(password, salt), want) == 1, nil
}

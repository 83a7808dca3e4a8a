package store

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Limits of both databases.
const (
	// MaxBody is the largest body kept in one row, in bytes: of a message, statement, record, verdict or
	// outgoing message. PostgreSQL's own limit for a value is 1 GB.
	MaxBody = 256 << 20
	// MaxKey is the longest key, in bytes. PostgreSQL refuses index rows above 2704 bytes, and up to three
	// keys share one; a key that long is no key.
	MaxKey = 800
	// MaxCluster is the largest set of patient keys that may hang together. One person has a handful; a set
	// above this comes from an identifier that identifies nobody, and a person must look at it.
	MaxCluster = 2000
	// clusterPerKey is how many more keys each key that is asked for at once may bring: a batch of messages asks
	// for all its patients together.
	clusterPerKey = 32
	// MaxRows bounds the length of a list that is returned whole.
	MaxRows = 1_000_000
	// PageRows is how many rows are read at a time where a caller is handed one row after another.
	PageRows = 200
	// MaxProblems bounds the report of a check.
	MaxProblems = 1000
)

// ErrCluster says that more than MaxCluster patient keys hang together.
var ErrCluster = errors.New("more patient keys hang together than one person can have")

// ClusterLimit gives the largest number of keys that Cluster may return when it is asked for n.
func ClusterLimit(n int) int { return MaxCluster + clusterPerKey*n }

// ErrTooMany says that a list is longer than MaxRows.
var ErrTooMany = errors.New("the list is too long to be given whole")

// CheckKey refuses what one of the databases cannot keep or find again as a key: NUL, broken UTF-8, too long.
// name says which field it is; the value is not repeated in the error.
func CheckKey(name, s string) error {
	if len(s) > MaxKey {
		return fmt.Errorf("%s is %d bytes long, over the limit of %d", name, len(s), MaxKey)
	}
	return CheckText(name, s)
}

// CheckText refuses NUL and broken UTF-8, which PostgreSQL cannot keep as text.
func CheckText(name, s string) error {
	if !utf8.ValidString(s) {
		return fmt.Errorf("%s is not UTF-8", name)
	}
	if strings.IndexByte(s, 0) >= 0 {
		return fmt.Errorf("%s holds a zero byte", name)
	}
	return nil
}

// checkBody refuses a body over MaxBody.
func checkBody(name string, b []byte) error {
	if len(b) > MaxBody {
		return fmt.Errorf("%s is %d bytes long, over the limit of %d", name, len(b), MaxBody)
	}
	return nil
}

// cleanText brings s to something both databases keep. It is for columns that only serve searching; the body
// beside them keeps the truth.
func cleanText(s string) string {
	s = strings.ToValidUTF8(strings.ReplaceAll(s, "\x00", ""), "\uFFFD")
	if len(s) > MaxKey {
		s = strings.ToValidUTF8(s[:MaxKey], "")
	}
	return s
}

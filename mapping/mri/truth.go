package mri

import (
	"fmt"
	"slices"
)

// Truth is a value of Kleene's strong three-valued logic. The order NotMet < Unknown < Met makes And the minimum
// and Or the maximum.
type Truth int8

// The three values. The zero value is Unknown: what nobody stated is not known.
const (
	NotMet  Truth = -1
	Unknown Truth = 0
	Met     Truth = 1
)

// And is Kleene's conjunction.
func (t Truth) And(u Truth) Truth { return min(t, u) }

// Or is Kleene's disjunction.
func (t Truth) Or(u Truth) Truth { return max(t, u) }

// String gives "met", "not met" or "unknown".
func (t Truth) String() string {
	switch t {
	case Met:
		return "met"
	case NotMet:
		return "not met"
	}
	return "unknown"
}

// MarshalText writes the value as String has it.
func (t Truth) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// UnmarshalText reads what MarshalText writes; anything else is an error.
func (t *Truth) UnmarshalText(b []byte) error {
	switch string(b) {
	case "met":
		*t = Met
	case "not met":
		*t = NotMet
	case "unknown":
		*t = Unknown
	default:
		return fmt.Errorf("%q is not met, not met or unknown", b)
	}
	return nil
}

func truthOf(b bool) Truth {
	if b {
		return Met
	}
	return NotMet
}

// Kind is the verdict in one word.
type Kind string

// The five kinds. Where several hold, the first of this list that applies is the verdict's kind.
const (
	KindUnsafe         Kind = "mr-unsafe"        // a part in the body is labelled MR Unsafe
	KindOutside        Kind = "outside-label"    // a labelled condition is not met on any scanner; not a ban
	KindNotEstablished Kind = "not-established"  // a condition that must be known before is unknown
	KindWithinIf       Kind = "within-label-if"  // some scanner meets all that is known; the rest is to confirm
	KindNothing        Kind = "nothing-recorded" // no part in the body on record; not "no implant"
)

// kinds are the five, the gravest first.
var kinds = []Kind{KindUnsafe, KindOutside, KindNotEstablished, KindWithinIf, KindNothing}

// Kinds lists the five, the gravest first.
func Kinds() []Kind { return slices.Clone(kinds) }

// Graver says whether a kind stands before another in Kinds; one that is not known stands before all.
func (k Kind) Graver(than Kind) bool { return slices.Index(kinds, k) < slices.Index(kinds, than) }

// Caution orders the kinds by how much they hold back: nothing recorded (0), within the label if (1), and the
// three that stop (2). The three that stop are equal on purpose: which of them it is depends on what happens to
// be known, and an unidentified device is treated as unsafe until identified (R16). An unknown kind is 2.
func (k Kind) Caution() int {
	switch k {
	case KindNothing:
		return 0
	case KindWithinIf:
		return 1
	}
	return 2
}

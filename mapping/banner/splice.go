package banner

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// errNotObject: the received referral is not a JSON object; intake would have refused it.
var errNotObject = errors.New("referral is not a JSON object")

// member is one top-level member of a JSON object: where its value lies in the bytes.
type member struct {
	name       string
	start, end int // of the value
}

// received is a JSON object as it came, and where its top-level members lie.
type received struct {
	raw     []byte
	members []member
	closing int // of the last brace
}

// parse finds the top-level members of an object without touching any byte.
func parse(raw []byte) (r received, err error) {
	i := skipBlank(raw, 0)
	if !json.Valid(raw) || raw[i] != '{' {
		return r, errNotObject
	}
	r = received{raw: raw, members: make([]member, 0, usualMembers)}
	for i = skipBlank(raw, i+1); raw[i] != '}'; {
		if raw[i] == ',' {
			i = skipBlank(raw, i+1)
		}
		end := skipValue(raw, i)
		name := string(raw[i+1 : end-1])
		if strings.Contains(name, `\`) {
			if err := json.Unmarshal(raw[i:end], &name); err != nil {
				return r, fmt.Errorf("referral: %w", err)
			}
		}
		start := skipBlank(raw, skipBlank(raw, end)+1) // after the colon
		end = skipValue(raw, start)
		r.members = append(r.members, member{name, start, end})
		i = skipBlank(raw, end)
	}
	r.closing = i
	return r, nil
}

// usualMembers is how many members a referral has room for at first.
const usualMembers = 24

func skipBlank(raw []byte, i int) int {
	for i < len(raw) && (raw[i] == ' ' || raw[i] == '\n' || raw[i] == '\r' || raw[i] == '\t') {
		i++
	}
	return i
}

// skipValue gives the end of the value that starts at i, in JSON that is known to be valid.
func skipValue(raw []byte, i int) int {
	depth := 0
	for ; i < len(raw); i++ {
		switch raw[i] {
		case '"':
			for i++; raw[i] != '"'; i++ {
				if raw[i] == '\\' {
					i++
				}
			}
		case '{', '[':
			depth++
			continue
		case '}', ']':
			depth--
		case ',', ':', ' ', '\n', '\r', '\t':
			continue
		default: // number, true, false, null
			for i+1 < len(raw) && bytes.IndexByte([]byte(",]} \n\r\t"), raw[i+1]) < 0 {
				i++
			}
		}
		if depth == 0 {
			return i + 1
		}
	}
	return i
}

// addition is elements for a top-level array.
type addition struct {
	name     string
	elements []any
}

// with adds elements to top-level arrays of the object, making an array where it is absent or null, and around
// a single object that stands where an array belongs (senders do write that, and it was read as an array of one).
// Every other byte stays as received, so that nothing the sender meant is lost in passing.
func (r received) with(adds ...addition) ([]byte, error) {
	edits := make([]edit, 0, len(adds))
	first := len(r.members) == 0
	for _, a := range adds {
		text, err := appendJSON(nil, a.elements)
		if err != nil {
			return nil, err
		}
		e, found, err := r.into(a.name, string(text[1:len(text)-1]))
		if err != nil {
			return nil, err
		}
		if !found {
			e = edit{r.closing, r.closing, fmt.Sprintf("%q:%s", a.name, text)}
			if !first {
				e.text = "," + e.text
			}
			first = false
		}
		edits = append(edits, e)
	}
	return apply(r.raw, edits), nil
}

// into says how the elements, joined by commas, go into the member of that name.
func (r received) into(name, elements string) (e edit, found bool, err error) {
	i := r.index(name)
	if i < 0 {
		return e, false, nil
	}
	m := r.members[i]
	value := r.raw[m.start:m.end]
	switch value[0] {
	case 'n': // null
		return edit{m.start, m.end, "[" + elements + "]"}, true, nil
	case '{':
		return edit{m.start, m.end, "[" + string(value) + "," + elements + "]"}, true, nil
	case '[':
		if len(bytes.TrimSpace(value[1:len(value)-1])) > 0 {
			elements = "," + elements
		}
		return edit{m.end - 1, m.end - 1, elements}, true, nil
	}
	return e, true, fmt.Errorf("referral: %s is not an array", name)
}

// edit replaces the bytes from start to end.
type edit struct {
	start, end int
	text       string
}

// apply makes the edits, which do not overlap; those at one place keep their order.
func apply(raw []byte, edits []edit) []byte {
	slices.SortStableFunc(edits, func(a, b edit) int { return cmp.Compare(a.start, b.start) })
	size := len(raw)
	for _, e := range edits {
		size += len(e.text)
	}
	out := make([]byte, 0, size)
	at := 0
	for _, e := range edits {
		out = append(append(out, raw[at:e.start]...), e.text...)
		at = e.end
	}
	return append(out, raw[at:]...)
}

// value gives the bytes of a top-level member, nil when it is absent.
func (r received) value(name string) json.RawMessage {
	if i := r.index(name); i >= 0 {
		return r.raw[r.members[i].start:r.members[i].end]
	}
	return nil
}

func (r received) index(name string) int {
	return slices.IndexFunc(r.members, func(m member) bool { return m.name == name })
}

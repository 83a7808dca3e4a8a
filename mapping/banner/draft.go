package banner

import (
	"encoding/json"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// annotation is our note on an order.
func annotation(text string, at time.Time) object {
	return object{"authorString": implant.NoteAuthor, "time": instant(at), "text": text}
}

// Annotate puts the text of a note (Plain) on a draft order that is still with the person who writes it. A note of ours
// that the draft has from an earlier question is replaced; every other byte stays.
func Annotate(raw []byte, text string, at time.Time) ([]byte, error) {
	r, err := parse(raw)
	if err != nil {
		return nil, err
	}
	if others, had := r.withoutOurNotes(); had {
		if r, err = parse(others); err != nil {
			return nil, err
		}
	}
	return r.with(addition{"note", []any{annotation(text, at.UTC().Truncate(time.Millisecond))}})
}

// withoutOurNotes takes our earlier notes out of the order's list of notes; had says whether there was one.
func (r received) withoutOurNotes() (raw []byte, had bool) {
	for _, m := range r.members {
		var notes []json.RawMessage
		if m.name != "note" || json.Unmarshal(r.raw[m.start:m.end], &notes) != nil {
			continue
		}
		var others []string
		for _, note := range notes {
			var a struct{ AuthorString string }
			if json.Unmarshal(note, &a) != nil || a.AuthorString != implant.NoteAuthor {
				others = append(others, string(note))
			}
		}
		if len(others) == len(notes) {
			return nil, false
		}
		return apply(r.raw, []edit{{m.start, m.end, "[" + strings.Join(others, ",") + "]"}}), true
	}
	return nil, false
}

package v2

import (
	"gaussline/mapping/banner"
)

// Segments of our own note on an order (banner.V2).
const (
	ourVerdict = "MR-IMPLANT-VERDICT"
	ourAlert   = "MR-IMPLANT-ALERT"
)

// withoutOurs leaves out our own note where an order comes back with it: it says what the record says already, and read
// as the referrer's words it would make facts of itself. Only what matches its mark word for word is left out; a note
// that was changed, or merely looks like ours, is read.
func withoutOurs(list []Segment) []Segment {
	var out []Segment
	for i := 0; i < len(list); i++ {
		mine := ours(list[i:])
		if len(mine) == 0 {
			out = append(out, list[i])
			continue
		}
		end := i + 1
		for ; end < len(list) && !mine[len(mine)-1].same(list[end-1]); end++ {
			if !among(mine, list[end]) {
				out = append(out, list[end])
			}
		}
		i = end - 1
	}
	return out
}

func among(list []Segment, s Segment) bool {
	for _, x := range list {
		if x.same(s) {
			return true
		}
	}
	return false
}

func (s Segment) same(o Segment) bool { return s.Name == o.Name && s.Seq == o.Seq }

func isOurs(s Segment, what string) bool {
	return s.Name == "OBX" && s.Field(3).Comp(1).Text() == what && s.Field(3).Comp(3).Text() == banner.V2Codes
}

// ours gives the segments of our note that begins with the first of the list, nil where it is none: the verdict, the
// first NTE below it and the first alerts after it, as many as its mark says. Others may have written between and after.
func ours(list []Segment) []Segment {
	if !isOurs(list[0], ourVerdict) {
		return nil
	}
	v := list[0].Field(5)
	mark := v.Comp(4).Text()
	lines, alerts, ok := banner.V2Counts(mark)
	if !ok {
		return nil
	}
	mine := list[:1:1]
	var note, alert []string
	for _, s := range list[1:] {
		switch {
		case isOurs(s, ourVerdict):
			return nil
		case s.Name == "NTE" && len(note) < lines:
			note, mine = append(note, texts(s.Field(3))), append(mine, s)
		case isOurs(s, ourAlert) && len(alert) < alerts:
			alert, mine = append(alert, s.Field(5).Text()), append(mine, s)
		}
		if len(note) == lines && len(alert) == alerts {
			break
		}
	}
	if banner.V2Mark(v.Comp(1).Text(), v.Comp(2).Text(), note, alert) != mark {
		return nil
	}
	return mine
}

package history

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// MaxHolders is how many records of different people may have one device and still be compared with each other. What
// more of them share is asked about on each, without saying what the others say: it identifies nothing.
const MaxHolders = 16

// maxSaid bounds the sources that a question about a device on other records names.
const maxSaid = 12

// Held is a device as the record of somebody else has it. That record is of another person as far as package identity
// knows.
type Held struct {
	Keys []string // its device keys
	Part implant.Part
	Acts []implant.Source // who says what was done with it
}

// DeviceKeys gives the keys of all devices of a record, each once, sorted. Records of two people that have one in common
// speak of one device: the Device that a sender names, or a serial number with a device identifier or a model. They are
// hashes: equality is all they are for.
func DeviceKeys(rec implant.Record) []string {
	var out []string
	for _, p := range rec.Parts {
		out = append(out, deviceKeys(p)...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func deviceKeys(p implant.Part) (out []string) {
	for _, r := range p.Refs {
		if !strings.Contains(r, "#") { // a contained Device is its resource's own
			out = append(out, deviceKey("ref", r))
		}
	}
	serial := copied(p.Component.Serial)
	if placeholder(p.Component.Serial) {
		return out
	}
	if di := copied(p.Component.DI); !placeholder(p.Component.DI) {
		out = append(out, deviceKey("di", di, serial))
	}
	if model := copied(p.Component.Model); !placeholder(p.Component.Model) {
		out = append(out, deviceKey("model", model, serial))
	}
	return out
}

func deviceKey(parts ...string) string {
	h := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return hex.EncodeToString(h[:12])
}

// copied brings a number to what people mean when they copy it: capitals, no separators, no leading zeros.
func copied(s string) string {
	s = strings.Map(func(r rune) rune {
		if strings.ContainsRune("-./_#", r) {
			return -1
		}
		return r
	}, fold1(s))
	return strings.TrimLeft(s, "0")
}

// placeholder says whether a number is none: a word for not known, or one character over and over.
func placeholder(s string) bool {
	c := copied(s)
	return noSerial[c] || noSerial[strings.Trim(fold1(s), ".-/_?*0X")] || len(c) > 1 && strings.Trim(c, c[:1]) == ""
}

// HeldOf lists the devices of a record, as the records of others must know them.
func HeldOf(rec implant.Record) (out []Held) {
	for _, p := range rec.Parts {
		if keys := deviceKeys(p); len(keys) > 0 {
			out = append(out, Held{Keys: keys, Part: p, Acts: actsOn(p, rec.Events)})
		}
	}
	return out
}

// actsOn lists the sources of what was done with a part, or who first named it where nothing was. They are known by their
// place and by the words of a coded field; prose is of the other patient and stays there. Nothing of them changes when
// the source is merely sent again: an answered question must not be asked anew for that.
func actsOn(p implant.Part, events []implant.Event) (out []implant.Source) {
	for _, e := range events {
		if slices.Contains(e.In, p.ID) || slices.Contains(e.Out, p.ID) || e.Kind != implant.EventFollowUp && slices.Contains(e.Parts, p.ID) {
			for _, s := range e.Sources {
				if slices.Contains(p.Evidence, s) {
					out = append(out, s)
				}
			}
		}
	}
	if len(out) == 0 && len(p.Evidence) > 0 {
		out = append(out, p.Evidence[0])
	}
	for i, s := range out {
		out[i] = implant.Source{Key: s.Key, Path: s.Path, Quote: s.Quote}
		if s.End > 0 {
			out[i] = implant.Source{Key: s.Key}
		}
	}
	return out
}

// askElsewhere asks about every part that is on the record of somebody else. Nothing that is said there is believed here.
func (f *fold) askElsewhere(others []Held, crowded []string) {
	for _, p := range f.parts {
		if !p.listed() {
			continue
		}
		keys := deviceKeys(p.Part)
		one := func(k string) bool { return slices.Contains(keys, k) }
		if slices.ContainsFunc(crowded, one) {
			f.askOfPart(p, fmt.Sprintf("on more than %d records", MaxHolders), nil)
			continue
		}
		var said []string
		var sources []implant.Source
		for _, h := range others {
			if slices.ContainsFunc(h.Keys, one) {
				said = append(said, there(h))
				sources = append(sources, h.Acts...)
			}
		}
		if len(said) > 0 {
			slices.Sort(said)
			f.askOfPart(p, "there: "+strings.Join(slices.Compact(said), "; "), sources)
		}
	}
}

// askOfPart asks about a part that is elsewhere too. A source of the record itself is named beside those of others: an
// answer stays with it when records are joined or parted. Where all is alike of two parts it is one question.
func (f *fold) askOfPart(p *part, detail string, sources []implant.Source) {
	slices.SortFunc(sources, compareSources)
	sources = slices.Compact(sources)
	sources = sources[:min(len(sources), maxSaid)]
	for _, s := range firstSource(p) {
		sources = append(sources, implant.Source{Key: s.Key, Path: s.Path, Start: s.Start, End: s.End})
	}
	for i := range f.asked {
		if q := &f.asked[i]; q.Code == implant.AskDeviceElsewhere && q.Detail == detail && slices.Equal(q.Sources, sources) {
			q.Parts = append(q.Parts, p.ID)
			return
		}
	}
	f.ask(implant.AskDeviceElsewhere, detail, []*part{p}, sources...)
}

// there says what another record has of a part, and by which source.
func there(h Held) string {
	p := h.Part
	s := string(p.State)
	if p.Implanted.Known() {
		s += ", implanted " + string(p.Implanted)
	}
	switch {
	case p.Removed.Known():
		s += ", removed " + string(p.Removed)
	case p.Since.Known() && p.Since != p.Implanted:
		s += ", since " + string(p.Since)
	}
	if n := len(h.Acts); n > 0 {
		s += ", says " + h.Acts[n-1].Key
	}
	return s
}

package opnote

import (
	"fmt"
	"strings"
)

// Verbs of motion: what they do to a part hangs on where it goes. "Drawn", "eased" and any verb we do not know take a
// part out when "out", "free" or "from the pocket" follows, move it when "back" or "down" does, and so on.

// verbs reads a row of verbs and adds all their forms.
func (l *Lexicon) verbs(file string, n int, cols []string, replace bool) error {
	if len(cols) != 4 {
		return fmt.Errorf("%d columns, want 4", len(cols))
	}
	if _, ok := senses[cols[1]]; !ok {
		return fmt.Errorf("unknown sense %q", cols[1])
	}
	r := &row{file: file, line: n, class: "verb", value: cols[1], example: cols[3]}
	add := func(w string, f form) error {
		r.phrases = append(r.phrases, w)
		return l.phrase(w, &entry{class: classAct, value: cols[1], form: f, row: r, goes: true}, replace)
	}
	for _, v := range strings.Split(cols[2], "|") {
		p := strings.Split(v, "/")
		base, only := strings.CutPrefix(p[0], "~") // "lay" is also the past of "lie"
		past := inflect(base, "ed")
		participle := past
		if len(p) > 1 {
			past, participle = p[1], p[len(p)-1]
		}
		forms := []struct {
			w string
			f form
		}{{base, formActive}, {inflect(base, "s"), formActive}, {inflect(base, "ing"), formActive}, {participle, formParticiple}}
		if past != participle {
			forms = append(forms, struct {
				w string
				f form
			}{past, formPast})
		}
		for _, x := range forms {
			if x.w == participle && x.f != formParticiple || only && x.f == formActive {
				continue // "put"
			}
			if err := add(x.w, x.f); err != nil {
				return err
			}
			if !again[cols[1]] || strings.HasPrefix(base, "re") || base == "place" || base == "seat" {
				continue
			}
			for _, re := range [...]string{"re", "re "} { // "resited", "re-threaded"
				w := re + x.w
				r.phrases = append(r.phrases, w)
				if err := l.phrase(w, &entry{class: classAct, value: "reposition", form: x.f, row: r}, replace); err != nil {
					return err
				}
			}
		}
	}
	l.rows = append(l.rows, r)
	return nil
}

// again are the senses of verbs that with "re" before them move a part that is there.
var again = map[string]bool{"implant": true, "advance": true}

// inflect gives the regular form of a verb with ending s, ed or ing.
func inflect(base, ending string) string {
	last := base[len(base)-1]
	vowel := strings.IndexByte("aeiou", last) >= 0
	switch {
	case ending == "s":
		if last == 's' || last == 'x' || last == 'z' || strings.HasSuffix(base, "sh") || strings.HasSuffix(base, "ch") {
			return base + "es"
		}
		if last == 'y' && len(base) > 1 && strings.IndexByte("aeiou", base[len(base)-2]) < 0 {
			return base[:len(base)-1] + "ies"
		}
		return base + "s"
	case last == 'e':
		return strings.TrimSuffix(base, "e") + ending
	case last == 'y' && ending == "ed" && strings.IndexByte("aeiou", base[len(base)-2]) < 0:
		return base[:len(base)-1] + "ied"
	case !vowel && doublesLast(base):
		return base + string(last) + ending
	}
	return base + ending
}

// doublesLast says whether a verb doubles its last letter: a single vowel before it, in a short word or the last syllable.
func doublesLast(base string) bool {
	n := len(base)
	if n < 3 || strings.IndexByte("aeiou", base[n-2]) < 0 || strings.IndexByte("aeiou", base[n-3]) >= 0 || strings.IndexByte("wxyh", base[n-1]) >= 0 {
		return false
	}
	return n <= 4 || base == "transfer" || base == "unplug"
}

// senses are the acts of verbs whose meaning hangs on the direction, with what they are without one.
var senses = map[string]string{"remove": "remove", "move": "free", "come": "", "implant": "implant", "advance": "advance", "withdraw": "withdraw", "reposition": "reposition", "rest": ""}

// buildActs makes a plain entry of every act and form.
func (l *Lexicon) buildActs() {
	l.acts = map[string]*[formPast + 1]*entry{}
	blank := &row{class: "act"}
	for act := range actKinds {
		var set [formPast + 1]*entry
		for f := range set {
			set[f] = &entry{class: classAct, value: act, form: form(f), row: blank}
			set[f].setMask()
		}
		l.acts[act] = &set
	}
}

// direction is where a part goes.
type direction uint8

const (
	nowhere direction = iota
	out
	off // out of what it is plugged into
	back
	up
	down
	in
	plugged // into what it is connected to
	through
	aside
	told // out, by the manner of it: "came easily"
)

// directions are the words that say where a part goes, by the first word of their phrase.
var directions = map[string]direction{"out": out, "away": out, "free": out, "clear": out, "forth": out, "loose": out, "back": back, "up": up, "upward": up, "upwards": up,
	"cephalad": up, "cranially": up, "rostrally": up, "superiorly": up, "rostral": up, "down": down, "downward": down, "downwards": down, "caudally": down, "caudad": down,
	"into": in, "inside": in, "in": in, "under": in, "underneath": in, "beneath": in, "within": in, "through": through, "aside": aside, "open": aside, "off": off}

// sockets are what the end of a lead or an extension is plugged into.
var sockets = wordSet("header headers port ports connector connectors socket sockets generator ipg battery can device box block receiver pulse adaptor adapter extension extensions pump stimulator unit")

// beds are where a part lies in the body.
var beds = wordSet("pocket pockets space canal body back capsule tissue tissues foramen foramina wound wounds buttock flank loin abdomen chest spine patient him her bed tunnel scar subcutaneous epidural spinal skin incision incisions cavity track tract muscle fat")

// motion settles what the verb at item k, of the given sense, does to a part, and gives the item of the word that says
// where it goes.
func (r *reader) motion(k int, sense string) (string, int) {
	to, at := r.direction(k)
	if to != out && to != back && slips[r.itemText(k)] && !r.be(k) {
		return "", -1 // it moved by itself
	}
	switch to {
	case out:
		if sense == "reposition" || sense == "implant" || worn[r.itemText(k)] && at == k+1 {
			break
		}
		return "remove", at
	case off:
		if sense == "remove" || sense == "move" || sense == "withdraw" || sense == "come" {
			return "disconnect", at
		}
	case back:
		if sense != "come" {
			return "reposition", at
		}
	case up:
		switch sense {
		case "move", "advance", "come", "implant":
			return "advance", at
		case "remove", "withdraw":
			return "reposition", at
		}
	case down:
		switch sense {
		case "move", "remove", "withdraw":
			return "reposition", at
		}
	case plugged:
		if sense == "move" || sense == "implant" || sense == "advance" || sense == "come" {
			return "connect", at
		}
	case in:
		if sense == "move" || sense == "rest" || sense == "come" && (strings.HasPrefix(r.itemText(k), "go") || r.itemText(k) == "went") && (r.itemText(at) == "in" || r.itemText(at) == "into") {
			return "implant", at
		}
	case through:
		if sense == "move" {
			return "tunnel", at
		}
	case aside:
		return "free", at
	case told:
		if sense == "come" || sense == "withdraw" {
			return "remove", at
		}
	}
	return senses[sense], -1
}

// slips are verbs of what a part does by itself, without "was" before them.
var slips = wordSet("slipped slid dropped fell fallen moved shifted rotated flipped turned rolled tipped sunk sank settled popped swung backed")

// be says whether a form of "be" stands before the verb at item k, or nothing that makes it finite.
func (r *reader) be(k int) bool {
	for p := k - 1; p >= 0 && p >= k-3; p-- {
		w := r.itemText(p)
		for _, f := range strings.Fields(w) {
			switch f {
			case "was", "were", "been", "being", "is", "are", "be":
				return true
			case "has", "had", "have":
				return false
			}
		}
		if !r.bareAdverb(p) && !r.at(p).isAny(classNeg, classSep, classAct) {
			break
		}
	}
	return r.noteType == TypeProcedure && !r.at(k-1).is(classAux)
}

// maxDirection is how many items after a verb its direction may stand, with an object between.
const maxDirection = 8

// direction finds where the words after the verb at item k say that the part goes.
func (r *reader) direction(k int) (direction, int) {
	found, at := nowhere, -1
	for p := k + 1; p < len(r.items) && p <= k+maxDirection; p++ {
		it := r.at(p)
		if r.boundary(p) == 2 || r.mark(p) == ',' || it.isAny(classAux, classAgent) && !it.is(classPart) {
			break
		}
		w := r.itemText(p)
		if i := strings.IndexByte(w, ' '); i > 0 {
			w = w[:i]
		}
		if e := it.as(classAct); e != nil && directions[w] == nowhere && !it.isAny(classPart, classSide) {
			break
		}
		if it.is(classSep) && found == nowhere && r.at(p+1).isAny(classAct) {
			break
		}
		d := directions[w]
		switch {
		case d == back && (r.at(p-1).isAny(classDet, classPrep) || r.itemText(p+1) == "table"):
			continue
		case p == k+1 && (w == "with" || w == "without") && r.pulled(p):
			d = told
		case d == in && p+1 < len(r.items) && (r.itemText(p) == "in full" || it.is(classWhole) || r.at(p+1).is(classWhole)):
			d = told
		case d == in && r.sockety(p):
			d = plugged
		case d == off && !r.sockety(p):
			d = out
		case w == "from":
			d = r.from(p)
			if c, _ := r.levelToken(r.firstTok(p + 1)); c != 0 {
				d = up
			}
		case w == "along" && r.nerveBehind(p-1) || w == "along" && strings.HasPrefix(r.itemText(p+2), "nerve"):
			d = up
		case it.is(classWhole) || easily[w]:
			d = told
		case it.is(classDose) && found == nowhere:
			d = down
		case d == nowhere && p == k+1 && w != "at" && w != "to":
			if c, _ := r.levelToken(int(it.first)); c == 't' || c == 'c' {
				d = up
			}
		case w == "to":
			if c, _ := r.levelToken(r.firstTok(p + 1)); c != 0 {
				d = up
			}
		}
		if d == nowhere {
			continue
		}
		if found == nowhere || d == back || d == out && found != back || found == told {
			if d != told || found == nowhere {
				found, at = d, p
			}
		}
		if found == back {
			break
		}
	}
	return found, at
}

// easily are words for how a part came away.
var easily = wordSet("easily readily smoothly cleanly freely sweetly nicely effortlessly willingly intact complete completely entirely whole entire")

// pulls are what a part comes out with or without.
var pulls = wordSet("resistance traction pull force difficulty persuasion tension fuss trouble ease effort tip tips stylet")

// pulled says whether the words behind "with" at item p tell how a part came out.
func (r *reader) pulled(p int) bool {
	for q := p + 1; q <= p+4 && q < len(r.items); q++ {
		for _, w := range strings.Fields(r.itemText(q)) {
			if pulls[w] {
				return true
			}
		}
	}
	return false
}

// sockety says whether what follows the preposition at p is something that a lead is plugged into.
func (r *reader) sockety(p int) bool {
	for q := p + 1; q <= p+4 && q < len(r.items); q++ {
		w := r.itemText(q)
		if i := strings.LastIndexByte(w, ' '); i > 0 {
			w = w[i+1:]
		}
		if sockets[w] {
			n := r.itemText(q + 1)
			return n != "pocket" && n != "site" && n != "wound" && n != "bed"
		}
		if !r.at(q).isAny(classDet, classOld, classNew, classSide, classSidel, classNum) && !r.bare(q) {
			return false
		}
	}
	return false
}

// from says where "from" at item p leads out of: a socket, the body, or neither.
func (r *reader) from(p int) direction {
	if r.sockety(p) {
		return off
	}
	for q := p + 1; q <= p+5 && q < len(r.items); q++ {
		for _, w := range strings.Fields(r.itemText(q)) {
			if beds[w] {
				return out
			}
		}
		if r.boundary(q) > 0 || r.at(q).isAny(classAux, classPrep) {
			break
		}
	}
	return nowhere
}

// worn are participles that "out" follows without anything having come out.
var worn = wordSet("worn wore burnt burned run ran timed found carried pointed ruled filled laid set washed turned tried given died blown knocked rinsed irrigated stretched thinned sorted printed irritated")

// direct settles the verbs of motion of the sentence, and reads a verb that we do not know by its direction alone.
func (r *reader) direct() {
	for k := range r.items {
		it := &r.items[k]
		e := it.as(classAct)
		if e == nil {
			if r.bare(k) && k+1 < len(r.items) && r.itemText(k+1) == "out" && !worn[r.itemText(k)] && (r.at(k-1).isAny(classAux, classAgent, classPart) || strings.HasSuffix(r.itemText(k), "ed")) {
				it.e = r.lex.acts["remove"][formParticiple]
				it.mask, it.till = it.e.mask, int32(k+1)
				r.classes |= it.mask
				r.items[k+1].drop(classAct)
			}
			continue
		}
		if !e.goes {
			continue
		}
		if w := r.itemText(k); e.form == formActive && (w == "explant" || w == "explants") && !r.at(k-1).isAny(classInfin, classAgent, classNeg) {
			it.e = r.lex.acts["remove"][formNoun]
			it.mask = it.e.mask
			continue
		}
		act, at := r.motion(k, e.value)
		if act == "" {
			it.drop(classAct)
			continue
		}
		if act == "free" && at < 0 && e.form == formActive {
			it.drop(classAct)
			continue
		}
		it.sense = e.value
		if act != e.value {
			it.e = r.lex.acts[act][e.form]
			it.mask = it.e.mask
		}
		if at > k {
			r.items[at].drop(classAct)
			it.till = int32(at)
		}
	}
}

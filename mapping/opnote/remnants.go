package opnote

import "gaussline/mapping/implant"

// remnants are words for a piece of a part that stand without the part's name.
var remnants = remnantSet()

func remnantSet() map[string]bool {
	set := map[string]bool{}
	for _, p := range []string{"remnant", "remnants", "fragment", "fragments", "stump", "stumps", "distal portion", "distal part", "distal segment", "the remainder",
		"remainder", "remaining portion", "remaining part", "remaining segment", "residual segment", "distal half", "distal fragment", "broken tip", "distal tip",
		"retained portion", "retained segment", "retained part", "distal stump", "detached tip", "retained tip", "intraspinal portion", "epidural portion", "epidural part",
		"intraspinal part", "intraspinal parts", "metallic density", "metal density", "metallic opacity", "metallic fragment", "broken end", "missing piece", "little piece",
		"small piece", "last piece", "spinal end", "deep part", "deeper part", "deep portion", "far end", "remaining length", "residual portion", "stub", "stubs", "distal piece",
		"embedded part", "tip portion", "proximal stump", "residue", "epidural remnant", "canal part", "piece", "pieces"} {
		set[p] = true
	}
	return set
}

// restWords stand before a length that is left of a part.
var restWords = wordSet("distal last terminal final remaining about approximately approx some around roughly proximal nearly almost over further least at only")

// bitWords name a piece of a part and stand with an article.
var bitWords = wordSet("bit section length end part segment limb portion half stretch")

// lengthStays says whether a length at item k, "6 cm" or "the distal 6 cm", is the subject of staying.
func (r *reader) lengthStays(k int) bool {
	bit := bitWords[r.itemText(k)] && (r.at(k-1).isAny(classDet, classNum) || r.at(k-2).is(classDet) || r.at(k-3).is(classDet))
	if bit && r.at(k).is(classAct) || !bit && ((r.itemKind(k) != tokNumber || r.items[k].e != nil) && !r.at(k).is(classNum) || !r.at(k+1).is(classDose)) || r.owner0(k) {
		return false
	}
	from := k + 2
	if bit {
		from = k + 1
	}
	for p := from; p <= k+9 && p < len(r.items); p++ {
		it := r.at(p)
		if e := it.as(classAct); e != nil {
			return e.value == "leave" && !it.is(classSide) || e.value == "leave" && r.leftIsAct(p)
		}
		if it.isAny(classHave) && !it.is(classAux) {
			return false
		}
		if r.mark(p) == ',' || it.isAny(classAspect, classPrep, classNum) {
			continue // "4 cm, with its tines, remain"
		}
		if !it.isAny(classAux, classOf, classPron, classPart, classDet, classSep, classNeg) && r.itemText(p) != "stuck" && !r.bareAdverb(p) {
			return false
		}
	}
	return false
}

// pieceCount is the count of a piece of the part: one of several parts, if the part is.
func (m *mention) pieceCount() int {
	if m.oneOf() {
		return 1
	}
	return 0
}

// otherStuff says whether the piece at item k is said to be of something that is no part: "a sliver of silicone".
func (r *reader) otherStuff(k int) bool {
	for p := k - 1; p >= 0 && p >= k-3; p-- { // "came out in two pieces"
		if r.itemText(p) == "in" {
			return true
		}
		if !r.at(p).is(classNum) && r.itemText(p) != "several" {
			break
		}
	}
	n := k + 1
	if !r.at(n).is(classOf) {
		return false
	}
	for n++; r.at(n).isAny(classDet, classOld); n++ {
	}
	switch r.itemText(n) {
	case "metal", "it", "them", "each", "wire", "conductor", "coil", "platinum", "one":
		return false
	}
	return r.bare(n)
}

// nextPart says whether the words after item k name the part that the piece is of.
func (r *reader) nextPart(k int) bool {
	n := k + 1
	for n <= k+4 && r.at(n).isAny(classOf, classDet, classSide, classOld, classNew, classNum, classOtherOne) {
		n++
	}
	return r.at(n).is(classPart) || r.at(k-1).is(classPart)
}

// sideBefore gives a side just before item k.
func (r *reader) sideBefore(k int) implant.Side {
	for p := k - 1; p >= 0 && p >= k-2; p-- {
		if e := r.at(p).as(classSide); e != nil {
			return implant.Side(e.value)
		}
	}
	return ""
}

package pages

import (
	"fmt"
	"slices"
	"strings"

	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// The drawing: a body seen from behind, 400 wide and 600 high, with the vertebrae as the rungs of a ladder and a strip
// beneath for parts of which neither place nor side is known. Seen from behind the patient's left is on the left.
const (
	midline  = 200
	firstY   = 96 // C1
	rungStep = 13 // between vertebrae
)

// vertebrae from the head down, as the rungs of the ladder.
var vertebrae = strings.Fields("C1 C2 C3 C4 C5 C6 C7 T1 T2 T3 T4 T5 T6 T7 T8 T9 T10 T11 T12 L1 L2 L3 L4 L5 S1 S2 S3 S4 S5")

// rung is one vertebra of the ladder.
type rung struct {
	Y     int
	Name  string
	Named bool // written beside it
}

// spot is a part at its place.
type spot struct {
	N      int
	Part   implant.Part
	Line   string
	Class  string // drawn as: in-use, idle, doubtful
	X, Y   int    // of the number
	Wire   string // of a lead, along the spine
	Leader string // thin line from the wire to its number
	Box    bool   // a generator or pump
	Placed bool   // on the drawing; else in the list only
	Why    string // why it is not at a place
	Unsafe bool   // labelled MR Unsafe
	Said   bool   // the line says so already
	Front  string // pocket that lies in front, drawn through the body
	FrontX int    // of the words that say so, clear of the spine's levels
}

// drawing is what the template draws.
type drawing struct {
	Rungs                       []rung
	Spots                       []spot // in the body, numbered
	Out                         []implant.Part
	Unplaced                    int
	LeftTray, RightTray, NoSide bool // something stands in that tray
	Zones                       []zone
}

// zone is a stretch that a label keeps the isocentre out of; the sets that say so.
type zone struct {
	Letter  string // beside it on the drawing and in the list
	Y, H, X int    // band, and where its letter stands
	From    string
	To      string
	Sets    []string
	Words   []string
}

// pocketPlaces are where a pocket lies on the left; right is its mirror image. Abdomen and chest lie in front: the
// drawing shows them through the body.
var pocketPlaces = map[string][2]int{"buttock": {72, 442}, "flank": {66, 372}, "abdomen": {46, 356}, "chest": {58, 206}, "pelvis": {40, 424}}

// drawBody places the parts of a record, and the zones that labels keep the isocentre out of; unsafe names those a
// verdict calls MR Unsafe.
func drawBody(rec implant.Record, unsafe map[string]bool, zones []mri.Zone) drawing {
	d := drawing{Zones: drawZones(zones)}
	for i, v := range vertebrae {
		named := slices.Contains([]string{"C1", "C7", "T1", "T4", "T8", "T12", "L1", "L3", "L5", "S1", "S3"}, v)
		d.Rungs = append(d.Rungs, rung{Y: firstY + i*rungStep, Name: v, Named: named})
	}
	parts := slices.Clone(rec.Parts)
	slices.SortStableFunc(parts, func(a, b implant.Part) int { return drawOrder(a) - drawOrder(b) })
	taken := map[string]int{}
	for _, p := range parts {
		if !p.State.InBody() {
			d.Out = append(d.Out, p)
			continue
		}
		s := spot{N: len(d.Spots) + 1, Part: p, Line: banner.PartLine(p), Class: drawnAs(p.State),
			Unsafe: p.Label == implant.MRUnsafe || unsafe[p.ID]}
		s.place(taken)
		if !s.Placed {
			d.Unplaced++
			s.tray(taken)
			d.LeftTray, d.RightTray, d.NoSide = d.LeftTray || s.X == 44, d.RightTray || s.X == 356, d.NoSide || s.Y == 628
		}
		d.Spots = append(d.Spots, s)
	}
	return d
}

// places are the landmarks of labels that are no vertebra: their height on the drawing. Below the knee it is cut off.
var places = map[string]int{"vertex": 14, "skull-base": 84, "L6": 408, "coccyx": 473, "hip": 486, "mid-thigh": 540, "knee": 584, "mid-calf": 590, "ankle": 590, "sole": 590}

func placeY(landmark string) int {
	if y, ok := places[landmark]; ok {
		return y
	}
	y, _ := levelY(landmark)
	return y
}

// drawZones gives each stretch once, with every set that bars it.
func drawZones(zones []mri.Zone) (out []zone) {
	for _, z := range zones {
		i := slices.IndexFunc(out, func(o zone) bool { return o.From == z.Span.From && o.To == z.Span.To })
		if i < 0 {
			i = len(out)
			y := placeY(z.Span.From) - rungStep/2
			out = append(out, zone{Letter: string(rune('A' + i%26)), Y: y, H: placeY(z.Span.To) + rungStep/2 - y, X: 118 + 14*(i%10), From: z.Span.From, To: z.Span.To})
		}
		if !slices.Contains(out[i].Sets, z.Set) {
			out[i].Sets = append(out[i].Sets, z.Set)
		}
		if z.Words != "" && !slices.Contains(out[i].Words, z.Words) {
			out[i].Words = append(out[i].Words, z.Words)
		}
	}
	return out
}

func drawOrder(p implant.Part) int {
	switch p.Component.Kind {
	case implant.Generator, implant.Pump:
		return 0
	case implant.Lead, implant.Catheter:
		return 1
	}
	return 2
}

func drawnAs(s implant.State) string {
	switch {
	case s == implant.Connected:
		return "in-use"
	case s.Abandoned():
		return "idle"
	}
	return "doubtful"
}

// place puts a part on the drawing where its place is known well enough; taken keeps two parts apart.
func (s *spot) place(taken map[string]int) {
	site := s.Part.Site
	side := map[implant.Side]int{implant.Left: -1, implant.Right: 1}[site.Side]
	name := site.Pocket
	pocket, isPocket := pocketPlaces[name]
	if !isPocket {
		name = site.Region
		pocket, isPocket = pocketPlaces[name]
	}
	from, fromOK := levelY(firstOf(site.Entry, site.Level))
	to, toOK := levelY(firstOf(site.Tip, site.Level, site.Entry))
	switch {
	case isPocket && side != 0:
		s.Box, s.Placed = true, true
		n := taken[site.Pocket+string(site.Side)]
		taken[site.Pocket+string(site.Side)]++
		apart := 34
		if name == "abdomen" || name == "chest" {
			s.Front, apart = name, 50 // room for the words above it
		}
		s.X, s.Y = midline+side*pocket[0], pocket[1]+n*apart
		s.FrontX = s.X + side*22
	case fromOK && toOK:
		s.placeWire(side, from, to, taken)
	case isPocket:
		s.Why = "side not known"
	case site.Side == "" && site.Level == "":
		s.Why = "place not known"
		s.Said = strings.Contains(s.Line, s.Why)
	default:
		s.Why = "level not known"
	}
}

// tagX is how far from the midline the number of a lead stands: outside the body, where no pocket is.
const tagX = 172

// placeWire draws a lead from its entry to its tip, each beside the one before, with its number outside the body. A
// lead of which one level is known is a short bar at that level.
func (s *spot) placeWire(side, from, to int, taken map[string]int) {
	s.Placed = true
	lane := fmt.Sprint("lane", side)
	out := max(side, -1) // a lead in the midline is numbered on the left
	if side == 0 {
		out = -1
	}
	x := midline + side*20 + out*9*taken[lane]
	if from == to {
		from, to = from+rungStep/2, to-rungStep/2
	}
	mid := (from + to) / 2
	row := fmt.Sprint("tag", out)
	s.X, s.Y = midline+out*tagX, max(mid, taken[row])
	s.Wire = fmt.Sprintf("M%d %dV%d", x, from, to)
	s.Leader = fmt.Sprintf("M%d %dL%d %d", x+out*4, mid, s.X-out*14, s.Y)
	taken[lane]++
	taken[row] = s.Y + 28
}

// tray puts a part whose place is not known beside the legs, on its side if that is known: the drawing must not
// look as if the part were not there.
func (s *spot) tray(taken map[string]int) {
	x := map[implant.Side]int{implant.Left: 44, implant.Right: 356}[s.Part.Site.Side]
	if x == 0 {
		x = midline
	}
	key := fmt.Sprint("tray", x)
	s.X, s.Y = x, 500+28*(taken[key]%4)
	if x == midline { // between the legs there is room for a row only
		s.X, s.Y = midline-60+40*(taken[key]%4), 628
	}
	taken[key]++
}

// levelY gives the height of a level, of "T8-T9" or "L2/3" that of the first.
func levelY(level string) (int, bool) {
	first := strings.FieldsFunc(level, func(r rune) bool { return r == '-' || r == '/' })
	if len(first) == 0 {
		return 0, false
	}
	i := slices.Index(vertebrae, strings.ToUpper(first[0]))
	return firstY + i*rungStep, i >= 0
}

func firstOf(ss ...string) string {
	for _, s := range ss {
		if s != "" {
			return s
		}
	}
	return ""
}

// Summary says in a sentence what the drawing shows, for those who do not see it.
func (d drawing) Summary() string {
	if len(d.Spots) == 0 {
		return "Body from behind; nothing recorded as in place"
	}
	s := fmt.Sprintf("Body from behind; %d parts recorded as in the body or possibly in it, %d of them at a known place; the list beside names each", len(d.Spots), len(d.Spots)-d.Unplaced)
	for _, p := range d.Spots {
		if p.Front != "" {
			s += fmt.Sprintf("; part %d lies in front, %s", p.N, p.Front)
		}
	}
	for _, z := range d.Zones {
		s += fmt.Sprintf("; zone %s, %s to %s, in which a label keeps the isocentre out", z.Letter, z.From, z.To)
	}
	return s
}

// HasFront says whether some part lies in front, which a body seen from behind hides.
func (d drawing) HasFront() bool {
	return slices.ContainsFunc(d.Spots, func(s spot) bool { return s.Front != "" })
}

package codes

import (
	"fmt"
	"sort"
	"strings"

	"gaussline/mapping/implant"
)

// Order is what an imaging order says of the examination it is for.
type Order struct {
	Codes      []implant.Code // what is ordered: codings of code, orderDetail, performerType
	Categories []implant.Code // codings of category
	Texts      []string       // text of the same elements
	Remarks    []string       // notes, reasons and other free text: weaker, read for MR only
}

// signals is what the parts of an order point to.
type signals struct {
	mr      []string // why MR
	other   []string // why another modality
	perhaps []string // words that may mean MR
	imaging []string // imaging, modality not said
	nonimg  []string // known not to be imaging
	unread  []string // words in a script we do not read, mistyped codes
	opaque  []string // codes we do not know that come without words of their own
	remarks []string // remarks that name MR
	hints   []string // remarks that hint at imaging
	said    bool     // some text or known code was there
}

// IsMR answers whether an order is for a magnetic resonance examination, with the reason.
//
//   - Yes: a code, category or text says MR and nothing says another modality. "MR guidance", MR angiography,
//     MRCP, spectroscopy and PET/MR are MR: the patient is in the magnet.
//   - No: another modality is clear and nothing says or may say MR; or the order says what it is for and has no
//     code, category or word of imaging. A remark that names MR takes this back, unless the order is by its
//     category or words for a service other than imaging ("Physiotherapy: MRI showed a prolapse").
//   - Maybe: code and text, code and display, or two codes disagree; a bare "MR" that could be a word for
//     something else; imaging without a modality; an order that says nothing we can read. Codes with the wrong
//     display and text occur in the field (common practice, no source).
//
// Traps (common practice, no source): "MR" beside mitral or regurgitation words, or beside a record number, is no MR;
// "Mr" is a title. Status and doNotPerform are not looked at: see [implant.Referral.Open].
func IsMR(o Order) (answer implant.Tri, why string) {
	var s signals
	for _, c := range o.Codes {
		s.code(c, false)
	}
	for _, c := range o.Categories {
		s.code(c, true)
	}
	for _, t := range o.Texts {
		s.text("text", t)
	}
	for _, r := range o.Remarks {
		s.remark(r)
	}
	return s.decide()
}

func (s *signals) decide() (implant.Tri, string) {
	switch {
	case len(s.mr) > 0 && len(s.other) > 0:
		return implant.Maybe, "disagree: " + join(s.mr) + "; " + join(s.other)
	case len(s.mr) > 0:
		return implant.Yes, join(s.mr)
	case len(s.perhaps) > 0:
		return implant.Maybe, join(append(s.perhaps, s.other...))
	case len(s.nonimg) > 0 && len(s.other) == 0 && len(s.imaging) == 0:
		return implant.No, join(s.nonimg) // a remark here tells of an earlier examination
	case len(s.remarks) > 0:
		return implant.Maybe, join(append(s.remarks, s.other...))
	case len(s.other) > 0:
		return implant.No, join(s.other)
	case len(s.imaging) > 0:
		return implant.Maybe, "modality not said: " + join(s.imaging)
	case len(s.unread) > 0:
		return implant.Maybe, "not understood: " + join(s.unread)
	case s.said:
		return implant.No, "no code, category or word of imaging"
	case len(s.opaque) > 0:
		return implant.Maybe, "not understood: " + join(s.opaque)
	case len(s.hints) > 0:
		return implant.Maybe, "modality not said: " + join(s.hints)
	}
	return implant.Maybe, "the order does not say what it is for"
}

// join sorts, drops copies and joins: the reason does not depend on the order of codings.
func join(list []string) string {
	list = append([]string(nil), list...)
	sort.Strings(list)
	out := list[:0]
	for _, l := range list {
		if len(out) == 0 || out[len(out)-1] != l {
			out = append(out, l)
		}
	}
	return strings.Join(out, "; ")
}

func (s *signals) code(c implant.Code, category bool) {
	m, ok := ModalityOf(c)
	name := "code"
	if category {
		name = "category"
	}
	label := fmt.Sprintf("%s %s", name, strings.TrimSpace(c.Code))
	switch {
	case ok && m == MR:
		s.mr = append(s.mr, label+" is MR")
	case ok && m == AnyImaging:
		s.imaging = append(s.imaging, label)
	case ok && m == NotImaging:
		s.nonimg = append(s.nonimg, label+" is not imaging")
	case ok:
		s.other = append(s.other, label+" is "+string(m))
	case System(c.System) == LOINC && !LOINCValid(strings.TrimSpace(c.Code)):
		s.unread = append(s.unread, label+" fails its check digit")
	case localMR(c.Code):
		s.perhaps = append(s.perhaps, label+" may mean MR")
	case strings.TrimSpace(c.Display) == "" && c.Code != "" && !standard(c.System):
		s.opaque = append(s.opaque, label)
	}
	if category && ok {
		return // displays of known categories ("Imaging") add nothing
	}
	s.text("display", c.Display)
}

// standard says whether a code system is a public one whose codes outside our tables are mostly not imaging
// and come with a text beside them.
func standard(system string) bool {
	switch System(system) {
	case SNOMED, LOINC, ICD10PCS, ICD10CM:
		return true
	}
	return false
}

// localMR says whether a code of a system we do not know looks like MR ("MRLSP", "MRI-BRAIN").
func localMR(code string) bool {
	up := strings.ToUpper(strings.TrimSpace(code))
	return strings.HasPrefix(up, "MR") && !strings.HasPrefix(up, "MRSA") && up != "MRN" && up != "MRS"
}

func (s *signals) text(where, t string) {
	r := readModality(t)
	if r.empty {
		return
	}
	s.said = true
	quote := where + " " + fmt.Sprintf("%q", short(t))
	switch {
	case r.mr != "":
		s.mr = append(s.mr, quote+" says "+r.mr)
	case r.bareMR && !r.inMitral:
		s.mr = append(s.mr, quote+" says MR")
	case r.maybeMR != "":
		s.perhaps = append(s.perhaps, quote+" may mean MR")
	}
	if r.other != "" && !(r.otherIsPET && (r.mr != "" || r.bareMR)) {
		s.other = append(s.other, quote+" says "+r.other)
	}
	switch {
	case r.hint != "":
		s.imaging = append(s.imaging, quote)
	case r.foreign:
		s.unread = append(s.unread, quote)
	case r.service != "" && r.mr == "" && r.other == "" && r.maybeMR == "" && !r.bareMR:
		s.nonimg = append(s.nonimg, quote+" is not imaging")
	}
}

// remark reads free text beside the order. One that names MR is never enough for Yes, as it may tell of an
// earlier or refused examination; it is enough for Maybe unless the order itself is for something other than
// imaging. Words that only hint count when the order says nothing else.
func (s *signals) remark(t string) {
	r := readModality(t)
	quote := fmt.Sprintf("remark %q", short(t))
	switch {
	case r.empty:
	case r.mr != "":
		s.remarks = append(s.remarks, quote+" says "+r.mr)
	case r.bareMR && !r.inMitral:
		s.remarks = append(s.remarks, quote+" may mean MR")
	case r.tooLong:
		s.remarks = append(s.remarks, quote+" is too long to read")
	case r.maybeMR != "", r.hint != "":
		s.hints = append(s.hints, quote)
	}
}

// quoted is how many bytes of a text a reason quotes.
const quoted = 60

func short(t string) string {
	t = strings.Join(strings.Fields(t), " ")
	if len(t) <= quoted {
		return t
	}
	cut := quoted
	for cut > 0 && t[cut]&0xC0 == 0x80 {
		cut--
	}
	return t[:cut] + "…"
}

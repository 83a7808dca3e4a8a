package banner

import (
	"fmt"
	"strings"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// headlines name the five verdicts. They are read first and alone, so none may sound like permission, and the
// restrictive word stands before the permissive one: a line cut short must not turn into a clearance. None points to
// what a medium may not have beside it.
var headlines = map[mri.Kind]string{
	mri.KindUnsafe:         "MR UNSAFE component is, or may be, in place",
	mri.KindOutside:        "Implant in place: OUTSIDE the MR labelling",
	mri.KindWithinIf:       "Implant in place: CONFIRM EVERY POINT " + ofTheNote + " first; only then within the MR labelling",
	mri.KindNotEstablished: "MR status NOT ESTABLISHED: implant present or possible",
	mri.KindNothing:        "Nothing recorded as in place: that does NOT mean nothing is implanted",
}

// meanings say what each verdict is not.
var meanings = map[mri.Kind]string{
	mri.KindUnsafe:         "A component that is, or may be, in the body is labelled MR Unsafe.",
	mri.KindOutside:        "No labelled set of conditions that the site has covers what is recorded here: the parts in place or left in place, their combination or place, the region, the date or the scanner. The MR medical director decides.",
	mri.KindWithinIf:       "This is not a clearance. Every point to confirm must be confirmed by the people named in local policy; only then is a scan on the scanners named within the labelling.",
	mri.KindNotEstablished: "What is in the body, or under which conditions its labelling permits MR, is not known well enough. Identify first.",
	mri.KindNothing:        "No component in place is on record. Screening decides, not this record.",
}

// cautions are the sentences behind mri's caution codes. Substance: mapping/mri/RULES.md, "Cautions",
// with its sources.
var cautions = map[string]string{
	mri.CautionDecisionSupport: "Decision support only. The MR medical director or the radiologist designated decides under local policy.",
	mri.CautionLabelOfTheDay:   "The current labelling of every component, for this configuration, on the day of the scan, governs.",
	mri.CautionNoClearance:     "This is not a clearance.",
	mri.CautionRecord:          "The record may be incomplete: it holds what was sent and read by the time stated.",
	mri.CautionRescreen:        "Screen the patient again just before entry, whatever the record says.",
	mri.CautionDeviceCheck:     "A trained person must check the device before and after (mode, impedance, battery).",
	mri.CautionIdentify:        "Unknown, unlabelled, abandoned or damaged parts: identify first; until then treat as not permitted.",
	mri.CautionCombined:        "More than one active system: combined conditions are arithmetic, not a tested condition.",
	mri.CautionNoRecord:        "No record is not proof that there is no device.",
	mri.CautionQuestions:       "Questions are open on this record.",
	mri.CautionEmergency:       "An emergency override is a human decision, documented outside this system.",
	mri.CautionOldWords:        "Old wording (\"MR safe\", \"MR compatible\") is quoted only and is not used as a status.",
	mri.CautionPlannedDatePast: "The planned date is over; decided for the day stated.",
	mri.CautionReviewDue:       "A label is due for review before the planned date.",
}

// reasons are the sentences behind mri's reason codes; {0}, {1}, ... are the arguments.
var reasons = map[string]string{
	mri.WhyUnsafe:            "{part} is labelled MR Unsafe (source: {0}).",
	mri.WhyAbandoned:         "{part}: {0:state}. A part left in place without a working system voids the labelling unless the label says otherwise.",
	mri.WhyAbandonedRegion:   "{part}: {0:state}; the label permits this only in certain places, and where it lies is not known.",
	mri.WhyMaybeInPlace:      "{part} may still be in place: {0:state}.",
	mri.WhyUnidentified:      "{part} is not identified ({0}).",
	mri.WhyUnlabelled:        "{part}: no MR conditions for it are in the labelling kept by the site.",
	mri.WhyLabelStatus:       "{part}: its sources state \"{0}\".",
	mri.WhyStatedSafe:        "{part}: a source says \"{0}\"; that is not used as a status.",
	mri.WhyOldWords:          "{part}: old wording \"{0}\" is quoted and not used as a status.",
	mri.WhyNotFunctional:     "{part}: implant status is \"{0}\".",
	mri.WhyIdentityConflict:  "{part}: model {0} and device identifier {1} do not belong together.",
	mri.WhyKindConflict:      "{part}: on record as {0}, labelled as {1}.",
	mri.WhyQuestion:          "Open question: {0:question} {1}",
	mri.WhyMembership:        "Which parts belong to which system is not known ({0} generators or pumps).",
	mri.WhyNoSource:          "Conductors are in place without a generator on record.",
	mri.WhyNotInCombination:  "{part} is not in the labelled combination.",
	mri.WhyTooMany:           "{0}: {1} on record, {2} permitted by the label.",
	mri.WhyTooFew:            "{0}: {1} on record, the label needs {2}.",
	mri.WhyLength:            "{part}: lead length {0:known}; the label permits {1}.",
	mri.WhyPlace:             "{part}: {0:element} is {1:known}; the label permits {2}.",
	mri.WhyStale:             "The labelling kept by the site was last reviewed on {0:known}: too long ago.",
	mri.WhyEditions:          "Two editions of the labelling of {0} contradict each other.",
	mri.WhyLabelSilent:       "The labelling does not state {0:element}; silence is not permission.",
	mri.WhyScannerUnknown:    "The scanner file does not state {0:element}.",
	mri.WhyScannerOutside:    "{0:element}: the scanner has {1}, the label permits {2}.",
	mri.WhyRegionUnknown:     "The order does not say which region is to be examined.",
	mri.WhyRegionOutside:     "The region asked for ({0:element}) is outside what the label permits.",
	mri.WhyRegionPartly:      "The isocentre for {0:element} may come into a zone the label excludes.",
	mri.WhyPartPlaceUnknown:  "{part}: where it lies is not known, so a distance cannot be judged.",
	mri.WhyHealing:           "Healing time after implantation has not passed (from {0} until {1}).",
	mri.WhyImplantDate:       "{part}: the date of implantation is not known, so the healing time cannot be judged.",
	mri.WhyCheckFailed:       "Check not passed: {0:element}.",
	mri.WhyOtherActiveBarred: "The label of one system bars other active implants, and more than one is, or may be, in place.",
	mri.WhyNoCommonCondition: "The labels of the implants have no common {0:element}.",
	mri.WhyNoScanner:         "No scanner of the site is on file.",
	mri.WhyTooManyWays:       "Too many combinations of conditions to judge automatically.",
	mri.WhyRemoved:           "Parts on record that were removed whole: {0}. Others may be in place without a record.",
}

// elements name conditions and checks.
var elements = map[string]string{
	mri.ElementField: "static field strength", mri.ElementMagnet: "magnet type", mri.ElementNuclei: "nuclei imaged",
	mri.ElementSpatialGradient: "spatial field gradient", mri.ElementSlewRate: "gradient slew rate per axis",
	mri.ElementDBDt: "dB/dt", mri.ElementExcitation: "RF excitation", mri.ElementCoil: "RF transmit coil",
	mri.ElementMode: "operating mode", mri.ElementWholeBodySAR: "whole-body SAR", mri.ElementHeadSAR: "head SAR",
	mri.ElementPartialBodySAR: "partial-body SAR", mri.ElementB1Rms: "B1+rms", mri.ElementRF: "RF exposure limit",
	mri.ElementScanTime: "continuous scan time", mri.ElementWait: "wait between scans", mri.ElementSession: "scan time in total",
	mri.ElementRegion: "scan region", mri.ElementDistance: "distance of the isocentre from the part",
	mri.ElementPosition: "patient position", mri.ElementHealing: "healing time", mri.ElementOtherActive: "other active implants",
	mri.ElementAbandoned: "abandoned parts", mri.ElementCombination: "combination of parts", mri.ElementPlace: "place of the part",
	mri.ElementStale:    "current labelling",
	mri.CheckTherapyOff: "therapy switched off", mri.CheckMRMode: "MR mode set by a trained person",
	mri.CheckBattery: "battery charge adequate", mri.CheckImpedance: "impedances in range, no shorts",
	mri.CheckNoProgrammer: "no programmer or charger near the magnet", mri.CheckAfebrile: "no fever",
	mri.CheckHeatRegulation: "heat regulation not impaired", mri.CheckCanReport: "patient can feel and report heat, pain, stimulation",
	mri.CheckNoSedation: "no sedation that blocks reporting", mri.CheckNoBlankets: "no warming blankets",
	mri.CheckMidline: "course of every lead clear of the midline (radiograph)",
	mri.CheckRestore: "settings restored", mri.CheckFunction: "function and impedances checked again", mri.CheckMRModeOff: "MR mode switched off",
}

// states, in the words of the partial-explant conventions of the trade.
var states = map[string]string{
	string(implant.Connected): "in place and connected", string(implant.NotConnected): "in place, NOT connected",
	string(implant.Capped): "in place, CAPPED", string(implant.Cut): "CUT, a part left in place",
	string(implant.RemovedWhole): "removed whole", string(implant.RemovedInPart): "removed in part, FRAGMENT retained",
	string(implant.ReportedRemoved): "reported removed, UNCONFIRMED", string(implant.SoughtNotFound): "sought, not found",
	string(implant.RemovalToCome):  "NOT removed yet: the removal is dated ahead",
	string(implant.NeverImplanted): "not implanted", string(implant.StateUnknown): "state unknown",
}

// What stands in place of a verdict when its order is over. The record outlives the order, and says so.
const (
	withdrawnHeadline = "Implant note on this order withdrawn; the implant record stands"
	withdrawnText     = "NOTE WITHDRAWN, NOT THE IMPLANT RECORD. As of %s this order is no longer to be carried out, or is no MR order, so this note is no longer kept up to date. What is recorded as implanted has not changed by that: ask anew for any other order."
)

// ofTheNote says where the points to confirm are, wherever the headline stands.
const ofTheNote = "of the implant note"

// Headline names a verdict in a line that can stand alone: in a flag, a list, a code.
func Headline(k mri.Kind) string { return headlines[k] }

// firstLine is the headline as the first line of the note itself, whose points follow.
func firstLine(k mri.Kind) string {
	return strings.ToUpper(strings.Replace(Headline(k), ofTheNote, "below", 1))
}

// ReasonReminder is the code of MessageHeader.reason of a note that is sent again.
const ReasonReminder = "reminder"

// GraverThan says in words that a note says more than an earlier one that somebody may still go by. was is the verdict
// of that one, "" where it is not kept.
func GraverThan(was mri.Kind) string {
	if was == "" {
		return "Graver than an earlier note may have been, which is not kept."
	}
	return "GRAVER than an earlier note, which said: \"" + Headline(was) + "\"."
}

// reminderText says why a note comes again.
func reminderText(n Note) string {
	return fmt.Sprintf("Reminder %d: nobody has acknowledged revision %d of this note. Nothing in it has changed.", n.Reminder, n.Revision)
}

// Meaning says what a verdict is and is not.
func Meaning(k mri.Kind) string { return meanings[k] }

// Caution gives the sentence of a caution code.
func Caution(code string) string { return cautions[code] }

// Element names a condition or check in words.
func Element(code string) string {
	if w, ok := elements[code]; ok {
		return w
	}
	return strings.ReplaceAll(code, "-", " ")
}

// State gives the words for a state.
func State(s implant.State) string { return states[string(s)] }

// ReasonText puts a reason in a sentence; parts are named from the record.
func ReasonText(r mri.Reason, rec implant.Record) string {
	tmpl, ok := reasons[r.Code]
	if !ok {
		tmpl = strings.ReplaceAll(r.Code, "-", " ") + " {0} {1}"
	}
	text := strings.TrimSpace(fill(tmpl, partName(rec, r.Part), r.Args))
	if from := labelFrom(r); r.Words == "" && from != "" {
		return strings.TrimSuffix(text, ".") + " (label: " + from + ")."
	} else if r.Words != "" && from != "" {
		return text + " Label: \"" + r.Words + "\" (" + from + ")"
	} else if r.Words != "" {
		return text + " Label: \"" + r.Words + "\""
	}
	return text
}

// fill puts part and arguments in a template, in one pass: braces inside an argument stay as they are.
func fill(tmpl, part string, args []string) string {
	var b strings.Builder
	for {
		before, rest, ok := strings.Cut(tmpl, "{")
		b.WriteString(before)
		if !ok {
			return b.String()
		}
		name, after, ended := strings.Cut(rest, "}")
		text, ok := slot(name, part, args)
		if !ended || !ok { // a brace that means nothing
			b.WriteByte('{')
			tmpl = rest
			continue
		}
		b.WriteString(text)
		tmpl = after
	}
}

// maxArgs is how many arguments a template can name.
const maxArgs = 4

// slot gives what a name in braces stands for: part, the number of an argument, or one with how it is to be put.
func slot(name, part string, args []string) (string, bool) {
	if name == "part" {
		return part, true
	}
	number, how, _ := strings.Cut(name, ":")
	if len(number) != 1 || number[0] < '0' || number[0] >= '0'+maxArgs {
		return "", false
	}
	arg := ""
	if i := int(number[0] - '0'); i < len(args) {
		arg = args[i]
	}
	switch how {
	case "":
		return arg, !strings.HasSuffix(name, ":")
	case "state":
		return State(implant.State(arg)), true
	case "element":
		return Element(arg), true
	case "question":
		return QuestionText(implant.QuestionCode(arg)), true
	case "known":
		return known(arg), true
	}
	return "", false
}

// labelFrom names the document and edition that a reason comes from.
func labelFrom(r mri.Reason) string {
	doc, _, _ := strings.Cut(r.Set, "/")
	if r.Edition == "" {
		return doc
	}
	return strings.TrimSpace(doc + " edition " + r.Edition)
}

func known(s string) string {
	if s == "" {
		return "not known"
	}
	return s
}

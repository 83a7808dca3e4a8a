package banner

import (
	"fmt"
	"slices"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// Shown is what a reader was shown, kept so that the next note can say what changed.
type Shown struct {
	mri.Verdict
	Lines *Lines `json:"lines,omitempty"` // nil: of a verdict kept before there were any
}

// Lines are the record as the note has it.
type Lines struct {
	In        []string `json:"in,omitempty"`  // parts in the body
	Out       []string `json:"out,omitempty"` // and out of it
	Questions []string `json:"questions,omitempty"`
	Answers   []string `json:"answers,omitempty"` // what people have settled
}

// Show gives what a reader is shown of a verdict and a record.
func Show(v mri.Verdict, rec implant.Record) Shown {
	return Shown{v, &Lines{Parts(rec, true), Parts(rec, false), Questions(rec), Answers(rec)}}
}

// Changes says in short lines how a note differs from what was shown before it: the verdict and its reasons first,
// then the scanners, the parts and questions of the record, the examination, the labelling relied on, the limits and
// the points to confirm.
func Changes(shown Shown, now mri.Verdict, rec implant.Record) []string {
	before := shown.Verdict
	var out []string
	if before.Kind != now.Kind {
		out = append(out, fmt.Sprintf("verdict was \"%s\", is \"%s\"", Headline(before.Kind), Headline(now.Kind)))
	}
	out = append(out, differences("new: ", "no longer: ", Reasons(before, rec), Reasons(now, rec))...)
	out = append(out, moved("scanner ", scannerTruths(before), scannerTruths(now))...)
	if was := shown.Lines; was != nil {
		is := Show(now, rec).Lines
		out = append(out, differences("settled by a person: ", "no longer counts as settled: ", was.Answers, is.Answers)...)
		out = append(out, differences("in the body, new: ", "in the body, was: ", was.In, is.In)...)
		out = append(out, differences("out of the body, new: ", "out of the body, was: ", was.Out, is.Out)...)
		out = append(out, differences("open question, new: ", "open question, closed or put otherwise: ", was.Questions,
			append(slices.Clone(is.Questions), settledNow(was.Questions, rec)...))...)
	}
	if was, is := examWords(before.Exam), examWords(now.Exam); was != is {
		out = append(out, "examination was: "+was+" Is: "+is)
	}
	out = append(out, moved("labelling ", editions(before), editions(now))...)
	if before.Kind == mri.KindWithinIf && now.Kind == mri.KindWithinIf {
		out = append(out, moved("limit, ", numbers(before), numbers(now))...)
		out = append(out, differences("new point to confirm: ", "no longer a point: ", points(before), points(now))...)
	}
	if before.EarliestChange != now.EarliestChange && now.EarliestChange.Known() {
		out = append(out, "a healing time now ends on "+string(now.EarliestChange))
	}
	if len(out) == 0 {
		out = append(out, "details of the record or of the order")
	}
	return out
}

// settledNow are the questions open before that people have settled: the line that says who settled them tells of them.
func settledNow(open []string, rec implant.Record) []string {
	return slices.DeleteFunc(answeredQuestions(rec), func(l string) bool { return !slices.Contains(open, l) })
}

// differences lists what is in one list and not in the other.
func differences(added, gone string, before, now []string) (out []string) {
	for _, l := range now {
		if !slices.Contains(before, l) {
			out = append(out, added+l)
		}
	}
	for _, l := range before {
		if !slices.Contains(now, l) {
			out = append(out, gone+l)
		}
	}
	return out
}

// named is something with what is said of it.
type named struct{ name, says string }

// moved lists, by name, what is said otherwise than before, what is new and what is gone.
func moved(what string, before, now []named) (out []string) {
	find := func(list []named, name string) (string, bool) {
		for _, x := range list {
			if x.name == name {
				return x.says, true
			}
		}
		return "", false
	}
	for _, x := range now {
		switch was, had := find(before, x.name); {
		case !had:
			out = append(out, what+x.name+", new: "+x.says)
		case was != x.says:
			out = append(out, what+x.name+": was "+was+", is "+x.says)
		}
	}
	for _, x := range before {
		if _, has := find(now, x.name); !has {
			out = append(out, what+x.name+": no longer there, was "+x.says)
		}
	}
	return out
}

func scannerTruths(v mri.Verdict) (out []named) {
	for _, s := range v.Scanners {
		out = append(out, named{scannerName(s), scannerAnswers[s.Truth]})
	}
	return out
}

// scannerAnswers are the short words for what holds on a scanner.
var scannerAnswers = map[mri.Truth]string{mri.Met: "conditions known now met", mri.NotMet: "conditions NOT met", mri.Unknown: "not established"}

func editions(v mri.Verdict) (out []named) {
	for _, l := range v.Labels {
		says := fmt.Sprintf("edition %s, reviewed %s", known2(l.Edition, "not stated"), known2(date(l.Reviewed), "not stated"))
		if l.Stale {
			says += " (too old)"
		}
		out = append(out, named{known2(l.Title, l.Document), says})
	}
	return out
}

func numbers(v mri.Verdict) (out []named) {
	for _, l := range v.Limits {
		out = append(out, named{Element(l.Code), l.Amount.String() + " " + string(l.Unit)})
	}
	return out
}

// points lists the points to confirm in short: their element and what is permitted.
func points(v mri.Verdict) (out []string) {
	for _, c := range v.Confirm {
		c.Words = nil
		out = append(out, conditionLine(c))
	}
	return out
}

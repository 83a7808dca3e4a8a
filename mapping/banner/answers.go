package banner

import (
	"fmt"
	"strings"

	"gaussline/mapping/implant"
)

// answeredTitle stands over what people have settled: whoever reads the note may see it otherwise.
const answeredTitle = "Settled by a person, and relied on here"

// answerHow are the words for how a person settled something.
var answerHow = map[string]string{implant.Accepted: "accepted the reading of", implant.Corrected: "corrected", implant.WasSetAside: "set aside, UNREAD"}

// Author gives the person who settled something, as given. Answers kept before sources had a field for it name the
// person before the first colon of the quote.
func Author(a implant.Answered) string {
	if a.Said.By != "" {
		return a.Said.By
	}
	by, _, _ := strings.Cut(a.Said.Quote, ": ")
	return known2(by, "somebody")
}

// Answers lists what people have settled and the record rests on, a line each: who, when, what, and why.
func Answers(rec implant.Record) []string {
	var out []string
	for _, a := range rec.Answered {
		by := Author(a)
		why := strings.TrimPrefix(a.Said.Quote, by+": ")
		out = append(out, fmt.Sprintf("%s, %s, %s: %s Reason given: \"%s\"", by, minute(a.At), known2(answerHow[a.How], a.How), settled(a), clip(why)))
	}
	return out
}

// answeredQuestions are the lines that questions had before people settled them.
func answeredQuestions(rec implant.Record) []string {
	were := implant.Record{Parts: rec.Parts}
	for _, a := range rec.Answered {
		were.Questions = append(were.Questions, a.Question)
	}
	return Questions(were)
}

// settled says what a person has settled, with the words that raised it.
func settled(a implant.Answered) string {
	q := a.Question
	if a.How == implant.WasSetAside {
		return "a message from " + q.Detail + " that could not be read."
	}
	what := QuestionText(q.Code)
	if q.Detail != "" {
		what += " (" + clip(q.Detail) + ")"
	}
	if len(q.Sources) > 0 && q.Sources[0].Quote != "" {
		what += " \"" + clip(q.Sources[0].Quote) + "\""
	}
	return what
}

// minute is a moment as people read it.
func minute(w implant.When) string {
	if from, _, ok := w.Bounds(); ok && len(w) > len("2006-01-02") {
		return from.UTC().Format("2006-01-02 15:04 UTC")
	}
	return known2(string(w), "day not known")
}

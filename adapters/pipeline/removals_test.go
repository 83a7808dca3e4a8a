package pipeline_test

import (
	"encoding/base64"
	"fmt"
	"strings"
	"testing"

	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// document is a plain text document of the day.
func document(id, day, typ, text string) string {
	return res("DocumentReference", id, day, fmt.Sprintf(`"status":"current","type":{"text":%q},"date":"%sT09:00:00Z","content":[{"attachment":{"contentType":"text/plain","data":%q}}]`,
		typ, day, base64.StdEncoding.EncodeToString([]byte(text))))
}

func told(lists ...[]string) (all []string) {
	for _, l := range lists {
		all = append(all, l...)
	}
	return all
}

const (
	allGone   = "g removed-whole, l removed-whole, r removed-whole"
	leadsMay  = "g removed-whole, l reported-removed, r reported-removed"
	allMayBe  = "g reported-removed, l reported-removed, r reported-removed"
	allToCome = "g removal-to-come, l removal-to-come, r removal-to-come"
)

// A removal of the whole system is coded, and the prose of the same occasion says that a part stays: what the words
// leave in may be in place, and a question quotes both. The sentences are ours; "explanted" alone being no proof is
// common practice (partial-explant conventions), no single source. The other languages are from memory.
func TestWordsAgainstACodedRemoval(t *testing.T) {
	for words, want := range map[string]string{
		"Removed generator only.":                         leadsMay,
		"Only the battery was taken out.":                 leadsMay,
		"Just the IPG came out today.":                    leadsMay,
		"Explant of IPG alone":                            leadsMay,
		"Elektroden wurden belassen.":                     leadsMay,
		"Nur der Generator wurde entfernt.":               allMayBe, // and "Generator" is read as one that is there
		"IPG explantiert, Elektroden in situ belassen.":   allMayBe,
		"Électrodes laissées en place.":                   leadsMay,
		"Seul le générateur a été retiré.":                leadsMay,
		"Se dejaron los electrodos.":                      leadsMay,
		"Gli elettrocateteri sono stati lasciati in sede": leadsMay,
		"De elektroden zijn achtergelaten.":               leadsMay,
		"leads left in situ":                              leadsMay,
		"distal fragment retained":                        leadsMay,
		"The leads were not touched.":                     leadsMay,
		"Right lead only was removed.":                    "g reported-removed, l reported-removed, r removed-whole",
		"Generator removed. Leads to be removed later.":   leadsMay,
		// What says no more than the codes takes nothing away from them.
		"All hardware removed intact. Nothing left behind.":            allGone,
		"Generator and both leads removed in toto, tips intact.":       allGone,
		"Die Elektroden wurden ohne Rest entfernt.":                    allGone,
		"The IPG was removed through a small incision, only 4 cm long": allGone,
	} {
		for how, rs := range map[string][]string{
			"note":     {allOut(note(words))},
			"outcome":  {allOut(fmt.Sprintf(`,"outcome":{"text":%q}`, words))},
			"document": {allOut(""), document("d", "2026-02-10", "Operative note", words)},
			"dictated": {document("d", "2026-02-12", "Operative note", words), allOut("")},
		} {
			o := tellStory(t, told(system(), rs)...)
			if o.states() != want || o.kind != string(mri.KindNotEstablished) {
				t.Errorf("%s, %s: %s, %s; want %s", words, how, o.kind, o.states(), want)
			}
			if want == allGone {
				continue
			}
			if !o.asks(implant.AskStatesConflict) || !strings.Contains(o.banner, `"explanted"`) || !strings.Contains(o.banner, " against ") {
				t.Errorf("%s, %s: no question quotes both:\n%s", words, how, o.banner)
			}
		}
	}
}

// Words of another occasion say nothing of this removal.
func TestWordsOfAnotherDayLeaveARemovalAlone(t *testing.T) {
	for _, day := range []string{"2025-03-03", "2026-01-10"} {
		if o := tellStory(t, told(system(), []string{allOut(""), document("d", day, "Operative note", "Removed generator only.")})...); o.states() != allGone {
			t.Errorf("%s: %s", day, o.states())
		}
	}
}

// A part is taken out on a side on which nobody had placed it: another part may have come out. It stays where it was
// last known to be, it may be in place, and both sides are quoted. The rule is ours.
func TestRemovalOnTheOtherSide(t *testing.T) {
	o := tellStory(t, told(system(), []string{acted("out", "2026-02-10", "Explantation of lead", "explanted", `,"bodySite":[{"text":"right L3"}]`, "l")})...)
	if o.states() != "g connected, l reported-removed, r connected" || o.kind != string(mri.KindNotEstablished) {
		t.Errorf("%s, %s", o.kind, o.states())
	}
	for _, want := range []string{"serial SN-l, left lumbar spine, level L3, reported removed", `"left L3" against "right L3"`} {
		if !strings.Contains(o.banner, want) {
			t.Errorf("not in the banner: %s\n%s", want, o.banner)
		}
	}
	if o := tellStory(t, told(system(), []string{acted("out", "2026-02-10", "Explantation of lead", "explanted", `,"bodySite":[{"text":"left L3"}]`, "l")})...); !strings.Contains(o.states(), "l removed-whole") {
		t.Errorf("on its own side: %s", o.states())
	}
}

// A removal that is dated ahead has not happened, whoever looks: banner, alerts, sheet and what the pages and the
// command line show.
func TestRemovalDatedAheadIsNotTold(t *testing.T) {
	ahead := strings.Replace(allOut(""), `"performedDateTime":"2026-02-10"`, `"performedDateTime":"2026-12-10"`, 1)
	for name, out := range map[string]string{
		"written before":  ahead,
		"written then":    strings.Replace(ahead, "2026-02-10T12", "2026-12-10T12", 1),
		"nobody says":     strings.Replace(ahead, `"meta":{"lastUpdated":"2026-02-10T12:00:00Z"},`, "", 1),
		"to a month only": strings.ReplaceAll(allOut(""), "2026-02-10", "2026-12"),
	} {
		if name == "to a month only" {
			out = strings.Replace(out, `"meta":{"lastUpdated":"2026-12T12:00:00Z"},`, "", 1)
		}
		o := tellStory(t, told(system(), []string{out})...)
		if o.states() != allToCome || o.kind != string(mri.KindNotEstablished) {
			t.Errorf("%s: %s, %s", name, o.kind, o.states())
		}
		shown := o.banner + strings.Join(banner.Events(o.rec), "\n") + strings.Join(banner.Alerts(banner.Note{Record: o.rec}, false), "\n")
		if strings.Contains(shown, "Out of the body") || strings.Contains(shown, "removed whole") || !strings.Contains(shown, "removal dated 2026-12") || !strings.Contains(shown, "dated AHEAD, not happened") {
			t.Errorf("%s:\n%s", name, shown)
		}
	}
}

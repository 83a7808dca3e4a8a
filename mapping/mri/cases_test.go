package mri_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

type caseFile struct {
	Labels   map[string]any   `json:"labels"`
	Scanners map[string]any   `json:"scanners"`
	Records  map[string][]any `json:"records"`
	Cases    []workedCase     `json:"cases"`
}

// workedCase changes the base by merge patches; see the notice in the file.
type workedCase struct {
	Name      string
	Covers    string
	Source    string
	Record    string
	Parts     map[string]any // patches of parts by ID
	Add       []any
	Drop      []string
	Questions []implant.Question
	Events    []implant.Event
	Set       map[string]any // patch of the condition set of system "one"
	Set2      map[string]any // ... of system "two"
	Extra     map[string]any // a second set of system "one"
	Lead      map[string]any // patch of the lead slot of system "one"
	Generator map[string]any
	Doc       map[string]any // patches of documents by ID
	Newer     *struct {      // another file with another edition of system "one"
		Issued string
		Set    map[string]any
	}
	Scanner   map[string]any // patches of scanners by ID
	On        []string       // scanners known; none given is m15
	Site      string
	Exam      *string
	Exams     []string
	ExamPatch map[string]any
	Checks    map[string]mri.Truth
	Date      implant.When
	Interval  string
	Want      wanted
}

type wanted struct {
	Kind        mri.Kind
	Reasons     []string // must be among the reasons
	NotReasons  []string // must not
	Scanners    map[string]mri.Truth
	Limits      map[string]string
	NotLimits   []string
	Confirm     []string // must be among what is to be confirmed
	NotConfirm  []string
	ConfirmArgs map[string]string // condition code → an argument it must have
	Change      *string
	Combined    bool
	Refused     string // the labelling is refused with this in the error
}

func TestWorkedCases(t *testing.T) {
	var f caseFile
	raw := readFile(t, "../../testdata/mri/cases.json")
	if err := json.Unmarshal(raw, &f); err != nil {
		t.Fatal(err)
	}
	if len(f.Cases) < 120 {
		t.Errorf("%d cases, at least 120 are promised", len(f.Cases))
	}
	names, covered := map[string]bool{}, map[string]bool{}
	for _, c := range f.Cases {
		if c.Covers == "" || names[c.Name] {
			t.Errorf("%s: nothing covered, or a name used twice", c.Name)
		}
		if why := badSource(c.Source); why != "" {
			t.Errorf("%s: source %q: %s", c.Name, c.Source, why)
		}
		names[c.Name] = true
		t.Run(c.Name, func(t *testing.T) { c.check(t, raw, covered) })
	}
	t.Run("every element met, not met and unknown", func(t *testing.T) { wholeGrid(t, covered) })
}

// outsideWords are words of notes that a reader of this repository does not have.
var outsideWords = regexp.MustCompile(`(?i)\bfacts?\b|\bdesign\b|\boracles?\b|\bceilings?\b|style\.md|\.\./|\b[RS][0-9]+b?\b|\bunit table\b`)

// badSource says why a source is none that a reader can follow.
func badSource(s string) string {
	switch bad := outsideWords.FindString(s); {
	case strings.TrimSpace(s) == "":
		return "empty"
	case bad != "":
		return bad + " is not in this repository nor published"
	case strings.HasPrefix(s, "common practice") && !strings.HasPrefix(s, "common practice, no source"):
		return "common practice has no source, and says so"
	case len(s) < 20:
		return "too short to be found by"
	}
	return ""
}

func TestBadSources(t *testing.T) {
	for _, s := range []string{"", " ", "S20", "facts R13", "fact 1.2", "design: site", "R16 says so, whoever looks", "see ../shared/mr.md for the rule", "unit table of somebody",
		"common practice", "common practice: everybody does", "IEC 60601-2-33"} {
		if badSource(s) == "" {
			t.Errorf("%q is taken as a source", s)
		}
	}
}

func (c workedCase) check(t *testing.T, raw []byte, covered map[string]bool) {
	var f caseFile
	if err := json.Unmarshal(raw, &f); err != nil { // a fresh copy to patch
		t.Fatal(err)
	}
	labels, err := c.labels(t, f)
	if c.Want.Refused != "" {
		if err == nil || !strings.Contains(err.Error(), c.Want.Refused) {
			t.Fatalf("refused with %v, wanted %q", err, c.Want.Refused)
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	pol := mri.Policy{Site: c.Site}
	if c.Interval != "" {
		if pol.ReviewInterval, err = time.ParseDuration(c.Interval); err != nil {
			t.Fatal(err)
		}
	}
	now := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	v := mri.Decide(c.record(t, f), c.exam(t), labels, c.scanners(t, f), pol, now)
	if why := c.Want.differs(v); why != "" {
		b, _ := json.MarshalIndent(v, "", " ")
		t.Errorf("%s\n%s", why, b)
	}
	pol.Trace = true
	v = mri.Decide(c.record(t, f), c.exam(t), labels, c.scanners(t, f), pol, now)
	c.mark(t, v.Trace, covered)
}

// merge is a JSON merge patch (RFC 7386).
func merge(target, patch any) any {
	p, ok := patch.(map[string]any)
	if !ok {
		return patch
	}
	m, ok := target.(map[string]any)
	if !ok {
		m = map[string]any{}
	}
	m = maps.Clone(m)
	for k, v := range p {
		if v == nil {
			delete(m, k)
		} else {
			m[k] = merge(m[k], v)
		}
	}
	return m
}

func list(v any, path ...any) []any {
	for _, p := range path {
		switch p := p.(type) {
		case string:
			v = v.(map[string]any)[p]
		case int:
			v = v.([]any)[p]
		}
	}
	return v.([]any)
}

func into(t *testing.T, v, to any) {
	t.Helper()
	b, err := json.Marshal(v)
	if err == nil {
		err = json.Unmarshal(b, to)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func (c workedCase) labels(t *testing.T, f caseFile) ([]mri.Labelling, error) {
	patch := func(at []any, i int, p map[string]any) {
		if p != nil {
			at[i] = merge(at[i], p)
		}
	}
	docs := list(f.Labels, "documents")
	for i := range docs {
		if p, ok := c.Doc[docs[i].(map[string]any)["id"].(string)]; ok {
			docs[i] = merge(docs[i], p)
		}
	}
	slots := list(f.Labels, "systems", 0, "parts")
	patch(slots, 0, c.Generator)
	patch(slots, 1, c.Lead)
	sets := list(f.Labels, "systems", 0, "sets")
	base := sets[0]
	patch(sets, 0, c.Set)
	patch(list(f.Labels, "systems", 1, "sets"), 0, c.Set2)
	if c.Extra != nil {
		one := list(f.Labels, "systems")[0].(map[string]any)
		one["sets"] = append(sets, c.Extra)
	}
	b, err := json.Marshal(f.Labels)
	if err != nil {
		t.Fatal(err)
	}
	l, err := mri.ParseLabelling(b)
	if err != nil || c.Newer == nil {
		return []mri.Labelling{l}, err
	}
	one := maps.Clone(list(f.Labels, "systems")[0].(map[string]any))
	one["sets"] = []any{merge(base, c.Newer.Set)}
	other := map[string]any{"format": mri.LabellingFormat, "systems": []any{one},
		"documents": []any{merge(docs[0], map[string]any{"issued": c.Newer.Issued, "edition": "other"})}}
	if b, err = json.Marshal(other); err != nil {
		t.Fatal(err)
	}
	l2, err := mri.ParseLabelling(b)
	return []mri.Labelling{l, l2}, err
}

func (c workedCase) record(t *testing.T, f caseFile) implant.Record {
	name := c.Record
	if name == "" {
		name = "lumbar"
	}
	r := implant.Record{Patient: "p", Questions: c.Questions, Events: c.Events}
	for _, p := range append(slices.Clone(f.Records[name]), c.Add...) {
		id := p.(map[string]any)["id"].(string)
		if slices.Contains(c.Drop, id) {
			continue
		}
		var part implant.Part
		into(t, merge(p, orEmpty(c.Parts[id])), &part)
		r.Parts = append(r.Parts, part)
	}
	return r
}

func orEmpty(v any) any {
	if v == nil {
		return map[string]any{}
	}
	return v
}

func (c workedCase) scanners(t *testing.T, f caseFile) []mri.Scanner {
	on := c.On
	if on == nil {
		on = []string{"m15"}
	}
	var keep []any
	for _, s := range list(f.Scanners, "scanners") {
		if id := s.(map[string]any)["id"].(string); slices.Contains(on, id) {
			keep = append(keep, merge(s, orEmpty(c.Scanner[id])))
		}
	}
	if len(keep) == 0 {
		keep = []any{}
	}
	b, err := json.Marshal(map[string]any{"format": mri.ScannersFormat, "scanners": keep})
	if err != nil {
		t.Fatal(err)
	}
	out, err := mri.ParseScanners(b)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func (c workedCase) exam(t *testing.T) mri.Exam {
	e := mri.Exam{Date: c.Date, Checks: c.Checks}
	names := c.Exams
	switch {
	case names != nil:
	case c.Exam == nil:
		names = []string{"brain"}
	case *c.Exam != "":
		names = []string{*c.Exam}
	}
	for _, n := range names {
		var v any
		into(t, mri.RegionPlan(n), &v)
		var plan mri.ExamRegion
		into(t, merge(v, orEmpty(any(c.ExamPatch))), &plan)
		e.Regions = append(e.Regions, plan)
	}
	return e
}

func (w wanted) differs(v mri.Verdict) string {
	var reasons []string
	for _, r := range v.Reasons {
		reasons = append(reasons, r.Code)
	}
	for _, s := range v.Scanners {
		for _, r := range s.Reasons {
			reasons = append(reasons, r.Code)
		}
		if want, ok := w.Scanners[s.ID]; ok && want != s.Truth {
			return fmt.Sprintf("scanner %s is %s, wanted %s", s.ID, s.Truth, want)
		}
	}
	confirm, args := map[string]bool{}, map[string][]string{}
	for _, c := range v.Confirm {
		confirm[c.Code] = true
		args[c.Code] = append(args[c.Code], c.Args...)
	}
	limits := map[string]string{}
	for _, l := range v.Limits {
		limits[l.Code] = l.Amount.String() + " " + string(l.Unit)
	}
	switch {
	case v.Kind != w.Kind:
		return fmt.Sprintf("kind %s, wanted %s", v.Kind, w.Kind)
	case v.Combined != w.Combined:
		return fmt.Sprintf("combined %t", v.Combined)
	case w.Change != nil && string(v.EarliestChange) != *w.Change:
		return fmt.Sprintf("earliest change %q, wanted %q", v.EarliestChange, *w.Change)
	case w.Change == nil && v.EarliestChange != "":
		return fmt.Sprintf("earliest change %q", v.EarliestChange)
	case w.Kind == mri.KindOutside && !slices.ContainsFunc(v.Reasons, stops) && !slices.ContainsFunc(v.Scanners, func(s mri.ScannerAnswer) bool { return slices.ContainsFunc(s.Reasons, stops) }):
		return "outside without a reason that is not met"
	}
	for id := range w.Scanners {
		if !slices.ContainsFunc(v.Scanners, func(s mri.ScannerAnswer) bool { return s.ID == id }) {
			return "no answer for scanner " + id
		}
	}
	for _, r := range w.Reasons {
		if !slices.Contains(reasons, r) {
			return fmt.Sprintf("reasons %v, wanted %s", reasons, r)
		}
	}
	for _, r := range w.NotReasons {
		if slices.Contains(reasons, r) {
			return fmt.Sprintf("%s is given as a reason, and is none", r)
		}
	}
	for code, want := range w.Limits {
		if !sameNumber(limits[code], want) {
			return fmt.Sprintf("limit %s is %q, wanted %q", code, limits[code], want)
		}
	}
	for _, code := range w.NotLimits {
		if limits[code] != "" {
			return "a limit for " + code + " that no label states"
		}
	}
	for _, code := range w.Confirm {
		if !confirm[code] {
			return code + " is not to be confirmed"
		}
	}
	for _, code := range w.NotConfirm {
		if confirm[code] {
			return code + " is to be confirmed"
		}
	}
	for code, arg := range w.ConfirmArgs {
		if !slices.Contains(args[code], arg) {
			return fmt.Sprintf("to confirm %s %v, wanted %s", code, args[code], arg)
		}
	}
	return ""
}

func stops(r mri.Reason) bool { return r.Truth == mri.NotMet }

// sameNumber compares "2 W/kg" and "2.0 W/kg".
func sameNumber(a, b string) bool {
	na, ua, _ := strings.Cut(a, " ")
	nb, ub, _ := strings.Cut(b, " ")
	ra, ok1 := new(big.Rat).SetString(na)
	rb, ok2 := new(big.Rat).SetString(nb)
	return ok1 && ok2 && ua == ub && ra.Cmp(rb) == 0
}

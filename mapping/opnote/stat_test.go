package opnote

import (
	"fmt"
	"os"
	"sort"
	"strings"
	"testing"
)

// TestStat counts misses by type of note and kind of section, without showing any words of the notes.
func TestStat(t *testing.T) {
	if os.Getenv("OPNOTE_STAT") == "" {
		t.Skip("set OPNOTE_STAT to dev or test")
	}
	count := map[string][2]int{}
	for _, c := range loadCorpus(t, os.Getenv("OPNOTE_STAT")) {
		s := &score{kinds: map[string]*tally{}}
		scoreNote(s, c)
		rd := Read(c.note)
		bump := func(key string, miss bool) {
			v := count[key]
			v[0]++
			if miss {
				v[1]++
			}
			count[key] = v
		}
		for i := range c.lines {
			l := &c.lines[i]
			if l.sort != "kind" {
				continue
			}
			miss := false
			for _, m := range s.misses {
				miss = miss || strings.HasPrefix(m, c.name+": "+l.raw)
			}
			bump("type "+c.note.Type, miss)
			for _, sec := range rd.Sections {
				if len(l.quotes) > 0 && overlaps(c.note.Text, sec.Start, sec.End, l.quotes[:1]) {
					bump("sec "+c.note.Type+" "+sec.Kind, miss)
				}
			}
		}
		n := 0
		for _, k := range s.kinds {
			n += k.want - k.found
		}
		count[fmt.Sprintf("notes with %d misses", min(n, 8))] = [2]int{count[fmt.Sprintf("notes with %d misses", min(n, 8))][0] + 1, 0}
	}
	var keys []string
	for k := range count {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		t.Log(k, count[k])
	}
}

// TestMissStat counts, for implants missed, what was found at the quoted words instead.
func TestMissStat(t *testing.T) {
	if os.Getenv("OPNOTE_STAT") == "" {
		t.Skip("set OPNOTE_STAT to dev or test")
	}
	count := map[string]int{}
	for _, c := range loadCorpus(t, os.Getenv("OPNOTE_STAT")) {
		rd := Read(c.note)
		for i := range c.lines {
			l := &c.lines[i]
			if l.sort != "kind" || !presenceKinds[l.val] {
				continue
			}
			ok := false
			at := map[string]bool{}
			for j := range rd.Findings {
				f := &rd.Findings[j]
				if !overlaps(c.note.Text, f.Start, f.End, l.quotes) {
					continue
				}
				part := partMatch(l.keys["part"], f.Component.Kind)
				ok = ok || fact(f) && presenceKinds[string(f.Kind)] && part
				if part {
					at[fmt.Sprintf("same part %s %s", f.Kind, f.Scope)] = true
				} else if f.Component.Kind != "" {
					at["other part"] = true
				} else {
					at["no part"] = true
				}
			}
			if !ok {
				var ks []string
				for k := range at {
					ks = append(ks, k)
				}
				sort.Strings(ks)
				count[l.val+" "+l.keys["part"]+": "+strings.Join(ks, ", ")]++
			}
		}
	}
	for k, n := range count {
		t.Log(n, k)
	}
}

// TestInventedStat counts removals invented by the rule that made them, without showing words of the notes.
func TestInventedStat(t *testing.T) {
	if os.Getenv("OPNOTE_STAT") == "" {
		t.Skip("set OPNOTE_STAT to dev or test")
	}
	count := map[string]int{}
	for _, c := range loadCorpus(t, os.Getenv("OPNOTE_STAT")) {
		s := &score{kinds: map[string]*tally{}}
		rd := Read(c.note)
		var fs []*Finding
		for i := range rd.Findings {
			f := &rd.Findings[i]
			if !fact(f) {
				continue
			}
			fs = []*Finding{f}
			n := len(s.invented)
			scoreSafety(s, c, fs)
			if len(s.invented) > n {
				act, _, _ := strings.Cut(f.Why, ":")
				_, why, _ := strings.Cut(f.Why, "; ")
				nl := ""
				if l := notLine(&c, f); l != nil {
					nl = " not-line " + l.keys["scope"]
				}
				count[fmt.Sprintf("%s %s %s %s [%s]%s value=%s", c.note.Type, f.Kind, f.Component.Kind, act, why, nl, f.Value)]++
			}
		}
	}
	for k, n := range count {
		t.Log(n, k)
	}
}

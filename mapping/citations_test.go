package mapping_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// outsideNotes are words by which a file would send its reader to notes that are not in the repository. What a claim
// rests on is named as it was published, or it says "common practice, no source" or "from memory".
var outsideNotes = regexp.MustCompile(`(?i)\.\./shared|\bstyle\.md|shared/design\.md|\bceilings\.md|note on (the library's )?ceilings|\s\((the )?facts[,):]|` +
	`\bfacts? (on (FHIR|MR|UDI|recalls|partial|Device)|file|note|beside|R[0-9]|[0-9]+\.[0-9]|S[0-9])|(gathered|stored) facts|the facts (list|have|say)\b|\bfacts/[a-z-]+\.md|` +
	`\(design: |"design: |\bsources? S[0-9]|[(;, ]S[0-9]+ there\b|marks \[C\]`)

// TestNoCitationOfWhatIsNotHere reads every text of the repository but the two tests that quote such words.
func TestNoCitationOfWhatIsNotHere(t *testing.T) {
	kinds := []string{".go", ".md", ".json", ".tsv", ".txt", ".txtar", ".yaml", ".yml", ".html", ".css", ".js", ".sh", ".sql", ".R", ".csv", ""}
	read := 0
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == ".git" || d.Name() == "r4-examples" || d.Name() == "node_modules"):
			return filepath.SkipDir
		case d.IsDir() || !slices.Contains(kinds, filepath.Ext(path)) || filepath.Base(path) == "citations_test.go" || path == "../mapping/mri/cases_test.go":
			return nil
		}
		raw, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		read++
		for i, line := range strings.Split(string(raw), "\n") {
			if s := outsideNotes.FindString(line); s != "" {
				t.Errorf("%s:%d: %q points outside the repository", path, i+1, s)
			}
		}
		return nil
	})
	if err != nil || read < 500 {
		t.Fatalf("%d files, %v", read, err)
	}
}

func TestOutsideNotes(t *testing.T) {
	for _, s := range []string{"facts R13", "// (facts on MR, 2.2)", "the note on ceilings", "style.md d.2, 18", "see ../shared/facts/mr.md", "the facts file marks [C]", "(design: received bytes)", "Source: sources S34"} {
		if !outsideNotes.MatchString(s) {
			t.Errorf("%q is let through", s)
		}
	}
	for _, s := range []string{"the facts of a Device", "facts ...implant.Fact", "note(facts ...)", "S2 nerve root", "several share by design"} {
		if outsideNotes.MatchString(s) {
			t.Errorf("%q is refused", s)
		}
	}
}

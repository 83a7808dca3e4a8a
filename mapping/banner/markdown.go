package banner

import "strings"

// marks are the characters that GitHub-flavoured Markdown could take for formatting; a backslash before any ASCII
// punctuation makes it literal (its specification, "Backslash escapes").
var marks = strings.NewReplacer("\\", "\\\\", "`", "\\`", "*", "\\*", "_", "\\_", "[", "\\[", "]", "\\]", "<", "\\<", ">", "\\>",
	"#", "\\#", "|", "\\|", "~", "\\~", "&", "\\&", "!", "\\!", "@", "\\@", "://", ":\\//")

// marked are the characters that marks has something for; "://" apart.
const marked = "\\`*_[]<>#|~&!@"

// Markdown gives the text of a note (Plain) with its headline and titles in bold; what sources wrote is never formatting
// or a link.
func Markdown(text string) string {
	var b strings.Builder
	b.Grow(len(text) + len(text)/4)
	put := func(before, line, after string) {
		b.WriteString(before)
		if strings.ContainsAny(line, marked) || strings.Contains(line, "://") {
			_, _ = marks.WriteString(&b, line) // a builder takes everything
		} else {
			b.WriteString(line)
		}
		b.WriteString(after)
	}
	first := true
	for line := range strings.SplitSeq(strings.TrimRight(text, "\n"), "\n") {
		item, isItem := strings.CutPrefix(line, "- ")
		switch {
		case first:
			put("**", line, "**\n\n")
		case isItem:
			put("- ", item, "\n")
		case strings.HasSuffix(line, ":"):
			put("\n**", line, "**\n\n")
		default:
			put("", line, "\n\n")
		}
		first = false
	}
	return b.String()
}

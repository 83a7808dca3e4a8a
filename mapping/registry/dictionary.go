package registry

import (
	"encoding/json"
	"fmt"
	"strings"
)

// Dictionary writes the data dictionary of a row as Markdown, from the schema alone: each column in order with
// what it means, which values it may have, whether it must be there and who can mend it, and the rules over
// several columns.
func Dictionary(schema []byte) (string, error) {
	var root struct {
		Title             string              `json:"title"`
		Description       string              `json:"description"`
		Required          []string            `json:"required"`
		Properties        map[string]node     `json:"properties"`
		DependentRequired map[string][]string `json:"dependentRequired"`
		AllOf             []node              `json:"allOf"`
		Defs              map[string]node     `json:"$defs"`
	}
	if err := json.Unmarshal(schema, &root); err != nil {
		return "", fmt.Errorf("row schema: %w", err)
	}
	must := map[string]bool{}
	for _, r := range root.Required {
		must[r] = true
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# %s: data dictionary\n\nSchema version %s, rules version %s.\n\n%s\n\n## Columns\n\n", root.Title, SchemaVersion, RuleSet, root.Description)
	b.WriteString("| column | must be there | meaning | values | who can mend |\n|---|---|---|---|---|\n")
	for _, c := range Columns() {
		p, ok := root.Properties[c]
		if !ok {
			return "", fmt.Errorf("row schema: no column %s", c)
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", c, yesNo(must[c]), cell(p.Description), cell(p.values(root.Defs)), p.Comment)
	}
	b.WriteString("\n## Rules over several columns\n\n")
	for _, c := range Columns() {
		if needs := root.DependentRequired[c]; len(needs) > 0 {
			fmt.Fprintf(&b, "- A row with `%s` needs `%s`.\n", c, strings.Join(needs, "`, `"))
		}
	}
	for _, r := range root.AllOf {
		fmt.Fprintf(&b, "- %s. (%s)\n", r.Title, r.Comment)
	}
	for _, rule := range []string{RuleBirth, RuleDates, RuleTwice} {
		w := Rules{}.Words(Problem{Rule: rule})
		fmt.Fprintf(&b, "- %s (%s)\n", w.Reason, w.Mend)
	}
	return b.String(), nil
}

// node is the part of a schema that the dictionary shows.
type node struct {
	Title       string   `json:"title"`
	Description string   `json:"description"`
	Comment     string   `json:"$comment"`
	Ref         string   `json:"$ref"`
	Type        string   `json:"type"`
	Enum        []string `json:"enum"`
	Pattern     string   `json:"pattern"`
	Minimum     *int     `json:"minimum"`
	Maximum     *int     `json:"maximum"`
	MaxItems    *int     `json:"maxItems"`
	Items       *node    `json:"items"`
}

// values says in words what a value may be.
func (n node) values(defs map[string]node) string {
	if n.Ref != "" {
		return defs[strings.TrimPrefix(n.Ref, "#/$defs/")].values(defs)
	}
	switch {
	case len(n.Enum) > 0:
		return strings.Join(n.Enum, ", ")
	case n.Items != nil && n.MaxItems != nil:
		return fmt.Sprintf("up to %d, in CSV joined by semicolons: %s", *n.MaxItems, n.Items.values(defs))
	case n.Minimum != nil && n.Maximum != nil:
		return fmt.Sprintf("whole number %d to %d", *n.Minimum, *n.Maximum)
	case n.Pattern != "":
		return "text of the form `" + n.Pattern + "`"
	}
	return n.Type
}

// cell writes text so that it does not end a column of a Markdown table.
func cell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

package files

import "gaussline/mapping/registry"

// Dictionary gives the data dictionary of the rows this program writes, as Markdown.
func Dictionary() (string, error) {
	b, err := rowSchemaBytes()
	if err != nil {
		return "", err
	}
	return registry.Dictionary(b)
}

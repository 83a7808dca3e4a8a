package intake

import (
	"regexp"
	"strings"

	"gaussline/mapping/implant"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

// bundle resolves the references of one message.
type bundle struct {
	env   Envelope
	base  string           // without a slash at the end
	byURL map[string]named // fullUrl without version
	byID  map[string]named // "Type/id"
	// byIdentifier is keyed by "Type|system|value" and never holds patients.
	byIdentifier map[string]named
	items        map[string]*Item // by key
}

// named is what a reference leads to. Two different things of one name are ambiguous and resolve nothing.
type named struct {
	key, typ  string
	ambiguous bool
}

// ref is a Reference after resolving. All fields may be empty.
type ref struct {
	key     string
	typ     string // resource type, where it can be told
	display string
}

var (
	typeIDRE    = regexp.MustCompile(`^[A-Z][A-Za-z]{1,63}/[A-Za-z0-9\-._]{1,128}$`)
	restfulRE   = regexp.MustCompile(`^(https?://.+)/([A-Z][A-Za-z]{1,63}/[A-Za-z0-9\-._]{1,128})$`)
	conditionRE = regexp.MustCompile(`^(?:https?://.+/)?([A-Z][A-Za-z]{1,63})\?(?:.*&)?identifier=([^&]+)`)
)

func newBundle(env Envelope, items []Item) *bundle {
	b := &bundle{env: env, base: strings.TrimRight(strings.TrimSpace(env.Base), "/"), byURL: map[string]named{},
		byID: map[string]named{}, byIdentifier: map[string]named{}, items: map[string]*Item{}}
	for i := range items {
		it := &items[i]
		n := named{key: b.keyOf(it), typ: b.typeOf(it)}
		b.items[n.key] = it
		if u := stripVersion(it.FullURL); u != "" {
			put(b.byURL, u, n)
		}
		if id := b.idOf(it); id != "" && n.typ != "" {
			put(b.byID, n.typ+"/"+id, n)
		}
		if n.typ != "Patient" && it.Resource != nil {
			for _, i := range identifiersOf(unwrap(it.Resource)) {
				put(b.byIdentifier, n.typ+"|"+i.System+"|"+i.Value, n)
			}
		}
	}
	return b
}

func put(m map[string]named, k string, n named) {
	if old, ok := m[k]; ok && (old.key != n.key || old.ambiguous) {
		m[k] = named{ambiguous: true}
		return
	}
	m[k] = n
}

func get(m map[string]named, k string) (named, bool) {
	n, ok := m[k]
	return n, ok && !n.ambiguous
}

// typeOf is the item's type; for an entry without a resource it comes from the request's URL.
func (b *bundle) typeOf(it *Item) string {
	if it.Method == "DELETE" || it.Method == "PATCH" || it.Type == "" {
		if typ, _, _ := requestTarget(it.URL); typ != "" {
			return typ
		}
	}
	return it.Type
}

// idOf is the id that the resource has or will have on the server.
func (b *bundle) idOf(it *Item) string {
	switch it.Method {
	case "PUT", "DELETE", "PATCH":
		if _, id, _ := requestTarget(it.URL); id != "" {
			return id
		}
	}
	return it.ID
}

// Target gives type and id of what the URL of a Bundle.entry.request names, both empty when it names no single resource.
func Target(url string) (typ, id string) {
	if typ, id, _ = requestTarget(url); id == "" {
		return "", ""
	}
	return typ, id
}

// requestTarget takes "Type/id", "Type?identifier=system|value" or an absolute URL of either apart.
func requestTarget(url string) (typ, id, condition string) {
	url = stripVersion(url)
	if m := conditionRE.FindStringSubmatch(url); m != nil {
		return m[1], "", unescape(m[2])
	}
	if m := restfulRE.FindStringSubmatch(url); m != nil {
		url = m[2]
	}
	if typeIDRE.MatchString(url) {
		typ, id, _ = strings.Cut(url, "/")
		return typ, id, ""
	}
	typ, _, _ = strings.Cut(url, "?")
	if strings.Contains(typ, "/") || strings.Contains(typ, ":") {
		typ = ""
	}
	return typ, "", ""
}

// unescape undoes the percent encoding of a query value; a broken one stays as it is.
func unescape(s string) string {
	var out strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '%' && i+2 < len(s) {
			hi, lo := hex(s[i+1]), hex(s[i+2])
			if hi >= 0 && lo >= 0 {
				out.WriteByte(byte(hi<<4 | lo))
				i += 2
				continue
			}
		}
		out.WriteByte(s[i])
	}
	return out.String()
}

func hex(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	}
	return -1
}

// keyOf gives an item its key; see the package comment. A fullUrl that is a RESTful URL outside the sender's
// base names a resource of another server, so it is the key whatever the id says.
func (b *bundle) keyOf(it *Item) string {
	typ := b.typeOf(it)
	full := stripVersion(it.FullURL)
	if m := restfulRE.FindStringSubmatch(full); m != nil && strings.HasPrefix(m[2], typ+"/") && !b.own(m[1]) {
		return full
	}
	if id := b.idOf(it); id != "" {
		return b.env.Sender + "|" + typ + "/" + id
	}
	if _, _, cond := requestTarget(it.URL); cond != "" && it.Method != "POST" {
		return b.env.Sender + "|" + typ + "/id:" + cond
	}
	if it.Resource != nil {
		if ids := identifiersOf(unwrap(it.Resource)); len(ids) > 0 {
			return b.env.Sender + "|" + typ + "/id:" + ids[0].System + "|" + ids[0].Value
		}
	}
	if strings.HasPrefix(full, "urn:") {
		return b.env.Sender + "|" + full
	}
	if full != "" {
		return b.absolute(full)
	}
	return b.env.Sender + "|" + typ + "/sha256:" + it.Hash
}

// own says whether a server root is the sender's base.
func (b *bundle) own(root string) bool { return b.base != "" && root == b.base }

// absolute brings an absolute URL to a key.
func (b *bundle) absolute(url string) string {
	url = stripVersion(url)
	if m := restfulRE.FindStringSubmatch(url); m != nil && b.own(m[1]) {
		return b.env.Sender + "|" + m[2]
	}
	return url
}

func stripVersion(url string) string {
	url = strings.TrimSpace(url)
	if i := strings.Index(url, "/_history/"); i >= 0 {
		return url[:i]
	}
	return url
}

// identifierKey is the key of something known by an identifier alone. Without a system the value means nothing
// outside the sender, and the key then joins nothing of another sender.
func (b *bundle) identifierKey(typ, system, value string) string {
	system, value = strings.TrimSpace(system), strings.TrimSpace(value)
	switch {
	case value == "":
		return ""
	case system == "":
		return b.env.Sender + "|" + typ + "/id:|" + value
	}
	return "id:" + system + "|" + value
}

// fromString resolves the text of a reference as seen from an item (nil: from outside a Bundle).
func (b *bundle) fromString(from *Item, s string) (key, typ string) {
	s = strings.TrimSpace(s)
	if m := conditionRE.FindStringSubmatch(s); m != nil {
		system, value, ok := strings.Cut(unescape(m[2]), "|")
		if !ok {
			system, value = "", system
		}
		return b.byIdent(m[1], system, value)
	}
	s = stripVersion(s)
	switch {
	case s == "":
		return "", ""
	case strings.HasPrefix(s, "urn:"):
		if n, ok := get(b.byURL, s); ok {
			return n.key, n.typ
		}
		return b.env.Sender + "|" + s, ""
	case strings.HasPrefix(s, "http://"), strings.HasPrefix(s, "https://"):
		return b.fromURL(s)
	}
	return b.fromRelative(from, strings.TrimPrefix(s, "/"))
}

func (b *bundle) fromURL(s string) (key, typ string) {
	if n, ok := get(b.byURL, s); ok {
		return n.key, n.typ
	}
	if m := restfulRE.FindStringSubmatch(s); m != nil {
		typ, _, _ = strings.Cut(m[2], "/")
	}
	return b.absolute(s), typ
}

// fromRelative resolves "Type/id": against the root of the referring entry's fullUrl when that is a RESTful
// URL; else by type and id among the entries of the Bundle, where FHIR leaves the meaning open and one match
// is no guess; else it is the sender's own.
func (b *bundle) fromRelative(from *Item, s string) (key, typ string) {
	typ, _, _ = strings.Cut(s, "/")
	if from != nil {
		if m := restfulRE.FindStringSubmatch(stripVersion(from.FullURL)); m != nil {
			return b.fromURL(m[1] + "/" + s)
		}
	}
	if n, ok := get(b.byID, s); ok {
		return n.key, n.typ
	}
	return b.env.Sender + "|" + s, typ
}

// byIdent resolves an identifier: to the one entry of the Bundle that has it (patients excepted, whose
// identifiers are joined by identity), else to the identifier's own key.
func (b *bundle) byIdent(typ, system, value string) (key, t string) {
	system, value = strings.TrimSpace(system), strings.TrimSpace(value)
	if typ != "" && typ != "Patient" {
		if n, ok := get(b.byIdentifier, typ+"|"+system+"|"+value); ok {
			return n.key, n.typ
		}
	}
	return b.identifierKey(typ, system, value), typ
}

// resolve resolves a Reference of the resource that is being read.
func (r *reader) resolve(rf *dpb.Reference, typ string) ref {
	out := ref{typ: typ, display: strings.TrimSpace(rf.GetDisplay().GetValue())}
	if t := rf.GetType().GetValue(); t != "" {
		out.typ = t[strings.LastIndexByte(t, '/')+1:]
	}
	s, fragment := referenceText(rf)
	switch {
	case fragment && s == "":
		out.key = r.st.Key
	case fragment:
		out.key = r.st.Key + "#" + s
		if c, ok := r.contained[s]; ok {
			out.typ = typeName(c)
		}
	case s != "":
		key, t := r.b.fromString(r.it, s)
		out.key = key
		if t != "" {
			out.typ = t
		}
	default:
		id := rf.GetIdentifier()
		if id.GetValue().GetValue() != "" {
			out.key, out.typ = r.b.byIdent(out.typ, id.GetSystem().GetValue(), id.GetValue().GetValue())
		}
	}
	if out.typ == "Patient" && strings.HasPrefix(out.key, r.st.Key+"#") {
		out.key = r.containedPatient(s, out.key)
	}
	return out
}

// containedPatient joins a contained Patient through its first identifier with a system, if it has one.
func (r *reader) containedPatient(id, key string) string {
	for _, i := range identifiersOf(r.contained[id]) {
		if i.System != "" {
			return r.b.identifierKey("Patient", i.System, i.Value)
		}
	}
	return key
}

// mention notes that the statement refers to another source.
func (r *reader) mention(keys ...string) {
	for _, k := range keys {
		if k != "" && k != r.st.Key && !strings.HasPrefix(k, r.st.Key+"#") {
			r.st.Mentions = append(r.st.Mentions, k)
		}
	}
}

// subject sets the patient of the statement.
func (r *reader) subject(path string, rf *dpb.Reference) {
	p := r.resolve(rf, "")
	switch {
	case p.key == "" && p.display == "":
	case p.key == "":
		r.finding("warning", "incomplete", path, "the patient is named by display only", p.display)
	case p.typ == "" || p.typ == "Patient":
		r.st.Patient = p.key
	case p.typ == "Device":
		r.mention(p.key)
	default:
		r.finding("warning", "not-supported", path, "the subject is not a patient", p.typ)
	}
}

// identifiers of any resource that has them, canonical, in the order given.
func identifiersOf(res resource) []implant.Identifier {
	switch x := res.(type) {
	case interface{ GetIdentifier() []*dpb.Identifier }:
		return identifiers(x.GetIdentifier())
	case interface{ GetIdentifier() *dpb.Identifier }:
		return identifiers([]*dpb.Identifier{x.GetIdentifier()})
	}
	return nil
}

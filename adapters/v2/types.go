package v2

import (
	"regexp"
	"strings"
)

// obj is a JSON object under construction. What is empty is never put in: FHIR has no empty values.
type obj map[string]any

func (o obj) put(name string, v any) obj {
	switch x := v.(type) {
	case nil:
		return o
	case string:
		if x = strings.TrimSpace(x); x == "" {
			return o
		}
		v = x
	case []any:
		if len(x) == 0 {
			return o
		}
	case []string:
		if len(x) == 0 {
			return o
		}
	case obj:
		if len(x) == 0 {
			return o
		}
	}
	o[name] = v
	return o
}

func add(list []any, o obj) []any {
	if len(o) == 0 {
		return list
	}
	return append(list, o)
}

var (
	oid  = regexp.MustCompile(`^[0-2](\.(0|[1-9]\d*))+$`)
	uuid = regexp.MustCompile(`(?i)^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)
	uri  = regexp.MustCompile(`^[a-zA-Z][a-zA-Z0-9+.-]*:[^\s]+$`)
	// name is what of a namespace can stand in a URI as it is
	name = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)
)

// universal gives the URI of a universal id and its type, "" where they make none.
func universal(id, kind string) string {
	kind = strings.ToUpper(kind)
	switch {
	case (kind == "ISO" || kind == "") && oid.MatchString(id):
		return "urn:oid:" + id
	case (kind == "UUID" || kind == "GUID") && uuid.MatchString(id):
		return "urn:uuid:" + strings.ToLower(id)
	case kind == "URI" && uri.MatchString(id):
		return id
	}
	return ""
}

// local makes a URI that nobody else uses, for names that mean something to this sender only.
func (c *converter) local(what string) string {
	base := "http://" + c.cfg.Sender + ".invalid/v2/"
	if !name.MatchString(what) {
		if what != "" {
			return base + hashOf([]byte(what))[:16]
		}
		return base + "local"
	}
	return base + what
}

// patientID is a CX: id, check digit and scheme, assigning authority, type. known is false when the system is only
// good for this sender, because the message names no universal id and the site has configured none.
func (c *converter) patientID(f Field) (id obj, known bool) {
	hd, value := f.Comp(4), f.Comp(1).Text()
	if value == "" {
		return nil, false
	}
	namespace := hd.Sub(1).Text()
	system := universal(hd.Sub(2).Text(), hd.Sub(3).Text())
	if system == "" {
		system = c.cfg.PatientSystems[namespace]
	}
	if known = system != ""; !known {
		system = c.local(namespace)
	}
	return obj{"system": system, "value": value}.put("type", identifierType(f.Comp(5).Text())), known
}

// number is the number of an order, a visit or a provider: its value, the namespace and universal id of who gave it,
// and what it numbers. It is never a patient's: one namespace may number all of them.
func (c *converter) number(value string, namespace, id, kind Field, what string) obj {
	if value == "" {
		return nil
	}
	system := universal(id.Text(), kind.Text())
	if system == "" {
		system = c.local(strings.ToLower(what) + "-" + namespace.Text())
	}
	return obj{"system": system, "value": value}.put("type", identifierType(what))
}

func identifierType(code string) obj {
	if !name.MatchString(code) {
		return nil
	}
	return obj{"coding": []any{obj{"system": v2Identifier, "code": code}}}
}

// orderID is an EI: id, namespace, universal id, its type.
func (c *converter) orderID(f Field, what string) obj {
	return c.number(f.Comp(1).Text(), f.Comp(2), f.Comp(3), f.Comp(4), what)
}

// idOf makes the id of a resource from its first identifier: the same over all messages about it, and readable where
// the number is.
func idOf(identifier obj) string {
	system, value := identifier["system"].(string), identifier["value"].(string)
	h := hashOf([]byte(system + "|" + value))
	if plainID.MatchString(value) {
		return value + "-" + h[:12]
	}
	return h[:32]
}

var plainID = regexp.MustCompile(`^[A-Za-z0-9.-]{1,40}$`)

// concept is a CE or CWE: code, text, system, and the same of an alternative; of a CWE, the original text.
func (c *converter) concept(f Field) obj {
	var list []any
	text := f.Comp(9).Text()
	for _, at := range []int{1, 4} {
		code, display := strings.Join(strings.Fields(f.Comp(at).Text()), " "), f.Comp(at+1).Text()
		system := f.Comp(at + 2).Text()
		if code != "" && display == "" && system == "" && strings.Contains(code, " ") {
			code, display = "", code // words where the code should be
		}
		if code != "" {
			list = append(list, obj{"system": c.codeSystem(system), "code": code}.put("display", display))
		}
		if text == "" {
			text = display
		}
	}
	return obj{}.put("coding", list).put("text", text)
}

func (c *converter) codeSystem(n string) string {
	if s := c.cfg.CodeSystems[n]; s != "" {
		return s
	}
	if s := codings[strings.ToUpper(n)]; s != "" {
		return s
	}
	if uri.MatchString(n) {
		return n
	}
	return c.local(n)
}

// provider is an XCN as a reference by identifier.
func (c *converter) provider(f Field) obj {
	family, given := f.Comp(2).Sub(1).Text(), f.Comp(3).Text()
	o := obj{}.put("display", strings.TrimSpace(strings.Join([]string{f.Comp(6).Text(), given, family}, " ")))
	hd := f.Comp(9)
	o.put("identifier", c.number(f.Comp(1).Text(), hd.Sub(1), hd.Sub(2), hd.Sub(3), "EI"))
	if len(o) > 0 {
		o["type"] = "Practitioner"
	}
	return o
}

// texts joins the repetitions of a free text field.
func texts(f Field) string {
	var out []string
	for _, r := range f.Reps() {
		out = append(out, r.Text())
	}
	return strings.Join(out, "\n")
}

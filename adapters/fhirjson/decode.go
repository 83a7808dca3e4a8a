package fhirjson

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"unicode/utf8"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/anypb"

	"gaussline/mapping/implant"
)

// reader and writer are shared: neither changes after it is made.
var (
	reader = newReader()
	writer = newWriter()
)

// newReader makes the decoder. "UTC" makes a date without time the UTC day of that name.
func newReader() *jsonformat.Unmarshaller {
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		panic("fhirjson: the FHIR library cannot read R4: " + err.Error())
	}
	u.MaxNestingDepth = defaultDepth
	return u
}

func newWriter() *jsonformat.Marshaller {
	w, err := jsonformat.NewMarshaller(false, "", "", fhirversion.R4)
	if err != nil {
		panic("fhirjson: the FHIR library cannot write R4: " + err.Error())
	}
	return w
}

// Decode reads one resource. The findings say what was mended or left out, with paths that start with e.Path, or
// with the resource type when e.Path is empty. The error is a *Refusal.
//
// The library tries first; only what it refuses, or what Split saw it would take silently, goes through the
// mending pass. An Entry that Split did not make is scanned here, with the default limits.
func Decode(e Entry) (*r4pb.ContainedResource, []implant.Finding, error) {
	if e.notes == nil {
		if r := adopt(&e); r != nil {
			return nil, nil, r
		}
	}
	findings := under(e.root(), e.notes.findings)
	if !e.notes.suspect {
		if res, err := unmarshal(e.Raw); err == nil {
			return res, sorted(findings), nil
		}
	}
	m := mender{within: -1}
	res, err := m.decode(e)
	if err != nil {
		return nil, nil, err
	}
	return res, sorted(append(findings, m.findings...)), nil
}

// adopt checks an Entry that Split did not make.
func adopt(e *Entry) *Refusal {
	start := skipBlanks(e.Raw, 0)
	switch {
	case len(e.Raw) > hardBytes:
		return refuse(fault("too-long", e.root(), "the resource is over the size limit", ""))
	case !utf8.Valid(e.Raw):
		return refuse(fault("invalid", e.root(), "not UTF-8", ""))
	case !json.Valid(e.Raw) || e.Raw[start] != '{':
		return refuse(fault("invalid", e.root(), "not a JSON object", ""))
	}
	probe := Entry{Path: e.Path, Offset: start}
	r := inspect(e.Raw, &probe, defaultDepth)
	e.Type, e.ID, e.notes = probe.Type, probe.ID, probe.notes
	if r == nil && e.Type == "Bundle" {
		r = refuse(fault("not-supported", e.root(), "a Bundle within a Bundle is not read; send it by itself", ""))
	}
	return r
}

// unmarshal calls the library. A panic of it becomes an error: one odd resource must not stop a worker.
func unmarshal(raw []byte) (res *r4pb.ContainedResource, err error) {
	defer func() {
		if p := recover(); p != nil {
			res, err = nil, fmt.Errorf("the decoder panicked: %v", p)
		}
	}()
	return reader.UnmarshalR4(raw)
}

// decode runs the mending pass and the library after it.
func (m *mender) decode(e Entry) (*r4pb.ContainedResource, error) {
	obj, err := asMap(e.Raw)
	if err != nil {
		return nil, refuse(fault("invalid", e.root(), "not a JSON object", ""))
	}
	m.resource(e.root(), obj)
	if len(m.fatal) > 0 {
		return nil, refuse(m.fatal...)
	}
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(obj); err != nil {
		return nil, refuse(fault("exception", e.root(), "the mended resource cannot be written", ""))
	}
	res, err := unmarshal(buf.Bytes())
	if err != nil {
		return nil, refuse(fromLibrary(err, e.root())...)
	}
	if err := m.putBack(res); err != nil {
		return nil, refuse(fault("exception", e.root(), "an id cannot be put back", ""))
	}
	return res, nil
}

func asMap(raw []byte) (map[string]any, error) {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var obj map[string]any
	err := dec.Decode(&obj)
	return obj, err
}

// putBack gives resources the ids they came with.
func (m *mender) putBack(res *r4pb.ContainedResource) error {
	for _, k := range m.ids {
		r := resourceIn(res)
		if k.within < 0 {
			if err := setID(r, k); err != nil {
				return err
			}
			continue
		}
		f := r.Descriptor().Fields().ByName("contained")
		if f == nil {
			return errors.New("contained resource not found")
		}
		list := r.Mutable(f).List()
		if k.within >= list.Len() {
			return errors.New("contained resource not found")
		}
		box, ok := list.Get(k.within).Message().Interface().(*anypb.Any)
		if !ok {
			return errors.New("contained resource of unknown form")
		}
		var inner r4pb.ContainedResource
		if err := box.UnmarshalTo(&inner); err != nil {
			return err
		}
		if err := setID(resourceIn(&inner), k); err != nil {
			return err
		}
		if err := box.MarshalFrom(&inner); err != nil {
			return err
		}
	}
	return nil
}

// resourceIn gives the resource within its wrapper.
func resourceIn(res *r4pb.ContainedResource) protoreflect.Message {
	r := res.ProtoReflect()
	return r.Get(r.WhichOneof(r.Descriptor().Oneofs().ByName("oneof_resource"))).Message()
}

func setID(r protoreflect.Message, k keptID) error {
	name := protoreflect.Name("id")
	if k.version {
		r = r.Mutable(r.Descriptor().Fields().ByName("meta")).Message()
		name = "version_id"
	}
	f := r.Descriptor().Fields().ByName(name)
	if f == nil {
		return errors.New("no such field")
	}
	id := r.Mutable(f).Message()
	id.Set(id.Descriptor().Fields().ByName("value"), protoreflect.ValueOfString(k.text))
	return nil
}

// Marshal writes one of our own resources, wrapped or not. It works on a clone: the library changes what it is
// given. Never use it on a received resource: the library drops the extensions of references.
func Marshal(res proto.Message) ([]byte, error) {
	c := proto.Clone(res)
	if cr, ok := c.(*r4pb.ContainedResource); ok {
		return writer.Marshal(cr)
	}
	return writer.MarshalResource(c)
}

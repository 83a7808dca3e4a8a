package fhirjson

import (
	"crypto/sha256"
	"encoding/hex"

	"google.golang.org/protobuf/proto"

	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
)

// Digest is the hex SHA-256 of what a decoded resource says: bytes that differ only in spacing or in the order of
// members have one digest, so that a copy from a second feed is no second version.
func Digest(res *r4pb.ContainedResource) string {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(res)
	if err != nil { // a decoded resource can always be written
		return ""
	}
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

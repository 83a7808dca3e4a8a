// Command genloinc writes mapping/codes/loinc_modality.tsv from an official FHIR R4 value set.
//
// Source: ValueSet-c80-doc-typecodes.json of npm package hl7.fhir.r4.examples@4.0.1 (CC0-1.0; tarball
// sha1 537ea7db3f3c7b3575fe2eaa7808bad21261cca3), SHA-256 checked below. Run it from the module root:
//
//	npm pack hl7.fhir.r4.examples@4.0.1
//	tar xzf hl7.fhir.r4.examples-4.0.1.tgz package/ValueSet-c80-doc-typecodes.json
//	go run ./testdata/codes/genloinc package/ValueSet-c80-doc-typecodes.json
package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"log"
	"os"
	"regexp"
	"sort"
)

const wantSHA256 = "0dbba3265e767436510d8c91d068c881bcc2ea6b591850e57987447a58fb103a"

// The order matters: the first pattern that a name matches gives its modality. MR comes first, so that a name
// with two modalities in it counts as MR.
var modalities = []struct {
	name string
	re   *regexp.Regexp
}{
	{"MR", regexp.MustCompile(`\bMRI\b|\bMRCP\b`)},
	{"CT", regexp.MustCompile(`\bCT\b`)},
	{"MG", regexp.MustCompile(`\bMammogram\b`)},
	{"PT", regexp.MustCompile(`\bPET\b`)},
	{"NM", regexp.MustCompile(`\bSPECT\b|\bScan\b`)},
	{"FL", regexp.MustCompile(`\bFluoroscop(y|ic)\b`)},
	{"XR", regexp.MustCompile(`\bX-ray\b`)},
	{"US", regexp.MustCompile(`\bUS\b`)},
	{"BD", regexp.MustCompile(`\bDXA\b`)},
}

func main() {
	raw, err := os.ReadFile(os.Args[1])
	if err != nil {
		log.Fatal(err)
	}
	if got := fmt.Sprintf("%x", sha256.Sum256(raw)); got != wantSHA256 {
		log.Fatalf("%s has SHA-256 %s, want %s", os.Args[1], got, wantSHA256)
	}
	var set struct {
		Compose struct {
			Include []struct {
				System  string
				Concept []struct{ Code, Display string }
			}
		}
	}
	if err := json.Unmarshal(raw, &set); err != nil {
		log.Fatal(err)
	}
	var lines []string
	for _, in := range set.Compose.Include {
		for _, c := range in.Concept {
			for _, m := range modalities {
				if m.re.MatchString(c.Display) {
					lines = append(lines, c.Code+"\t"+m.name+"\t"+c.Display+"\n")
					break
				}
			}
		}
	}
	sort.Strings(lines)
	var out bytes.Buffer
	out.WriteString(header)
	for _, l := range lines {
		out.WriteString(l)
	}
	if err := os.WriteFile("mapping/codes/loinc_modality.tsv", out.Bytes(), 0o644); err != nil {
		log.Fatal(err)
	}
	log.Printf("%d codes", len(lines))
}

const header = `# Imaging modality of LOINC codes: code, modality, name. Made by testdata/codes/genloinc; do not edit.
# Source: ValueSet-c80-doc-typecodes.json of npm hl7.fhir.r4.examples@4.0.1 (SHA-256 in the generator).
# LOINC codes and names are copyright of their owner and used under the LOINC licence, https://loinc.org/license.
# A name of this list is of the older style; codes issued or deprecated since are not known here.
`

// Package udi reads device identifiers as they are printed and scanned: GS1 element strings (scanned with FNC1,
// human-readable with brackets, Digital Link), HIBCC primary, secondary and combined symbols, ICCBBA ISBT 128
// data structures, and IFA format 06. [Parse] gives what can be kept and says exactly what is wrong; it never
// gives up on a device, never repairs and never guesses where a missing separator should have stood.
//
// Sources: GS1 General Specifications and GS1 Barcode Syntax Dictionary (Apache-2.0), ANSI/HIBC 2.6-2016,
// ICCBBA ST-017 v1.0.0 and ST-001, HL7 v2.9 PRT-10, as gathered in secondary copies; 21 CFR 830.3 for what a
// production identifier is.
//
// What does not live here: whether the carrier agrees with a Device's own fields (intake), and whether two
// identifiers are the same device at other packaging levels (see [Family], which gives the key to compare).
//
// A unique device identifier with a serial number can identify a person. No text in a [Problem] repeats
// anything from the string but single check characters and the names of data fields.
package udi

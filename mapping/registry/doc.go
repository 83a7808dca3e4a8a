// Package registry makes the rows of a registry month from implant records: one row for each event and component,
// keyed by pseudonyms, with what a later month amends or retracts. It also reads the row schema for what registry
// staff need from it: the rules in words, and the data dictionary.
//
// No name, identifier, serial number, birth date or free text goes into a row: texts are maker, model, lot and
// device identifier as recorded, all else is coded. Checking a row against its schema and writing files are not
// here; see adapters/checks and adapters/files.
package registry

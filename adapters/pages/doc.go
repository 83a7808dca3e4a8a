// Package pages is HTML for people: worklist, records, review, months, trace, card, operations, accounts, audit. Pages
// are made on the server, work without a script, and print. It holds no clinical rule and no clinical sentence: those
// are in mapping. Every page that shows a person's data is noted in the audit before it is shown.
//
// Addresses and logs hold no identifier of a patient: records, orders and questions have opaque ids, searches are
// sent in the body.
package pages

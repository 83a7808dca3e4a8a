// Package survival estimates how long things last: Kaplan–Meier with left truncation, Aalen–Johansen with
// competing events, exact Poisson rates, the log-rank test, numbers at risk, and the drawing of step curves with
// their bands as SVG. It knows no implants: what an observation, an event and a cause are is the caller's choice.
//
// Conventions, those of R's survival package, against whose output the tests hold:
//
//   - An event tied with a censoring counts first: at risk at t are all with exit at t or later.
//   - An observation that begins late (left truncation) is at risk from just after its entry; entry 0 or less is
//     the start, so an event at time 0 counts.
//   - S(t) is the value after the events at t.
//   - No rounding anywhere; a limit that is undefined is reported as such, never filled in.
package survival

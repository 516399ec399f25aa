// Package ledger keeps the books of a machine's fluid: every litre that a record tells of has a from and a to, and what
// the volumes at two times and the flows in between leave over is not explained.
//
//	not explained = start + added + returned + told - removed - spilled - expected loss - end
//
// Fold is a pure function of an Input; the JSON of its Ledger is the same bytes in whatever order the records arrived
// and on whatever platform.
//
// # Spans
//
// A known volume is the last standing reading of volume or level of a tank at the arrival or the departure of a visit,
// however many works the visit has. The known volumes of a tank, in the order of time, cut its line into spans: of a
// visit, between two visits, or mixed; the last one is open (cut.go). A flow belongs to the visit that it names,
// whatever its time.
//
// # Terms and their uncertainty
//
// A term is a sum of measured amounts, each with a standard uncertainty: the one that was given, or the default of its
// method, twice that where a named instrument had no valid check. What is wrong in one amount by itself adds in
// squares. What is wrong alike in several (the same pail, meter or scale, by its name) adds straight and with its sign;
// so does the zero of one stick in one tank, and cancels there (account.go, ends.go). Volumes are taken to 20 degrees
// where both ends of a balance have a temperature; without, and without the state of the machine, they are wider.
// Flows stay as measured.
//
// # Grades
//
// With x for what is not explained and u for its uncertainty, a span is worth a look where |x| > max(2u, 1 L), and can
// be said where |x| > max(3u, 1 L), where it and a neighbour are worth a look the same way, or where the running
// balance since the bath was renewed, or of twelve months, is beyond its own 3u (grade.go, running.go). What a customer
// told is counted once and left out once; the smaller of the two grades counts (late.go, as are the flows that leave a
// grade open).
//
// How often a look is a false one: if nothing is amiss, and the uncertainties are what they claim to be, x is normal
// with standard deviation u, and |x| > 2u has the probability 2*(1-Phi(2)) = 0.0455. So expect 4.55 false looks in 100
// spans; fewer where u is below half a litre, for then the floor of one litre lies beyond 2u. Beyond 3u it is 0.27 in
// 100. Two given neighbours lean the same way beyond 2u with at most 2*0.02275^2 = 0.10 in 100 if they are independent;
// neighbours share the reading between them, with opposite signs, and so it is less.
//
// # What is not here yet
//
// The loss to be expected is zero and certain, so that evaporation shows as not explained, and the verdict whether
// water or bath went is "cannot-tell". Measured flows are not reconciled.
package ledger

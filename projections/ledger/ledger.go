package ledger

import (
	"cmp"
	"slices"

	"ullage/events"
	"ullage/projections"
)

// Kind is the kind of a span.
type Kind string

// The kinds.
const (
	OfVisit Kind = "visit"
	Between Kind = "between"
	Mixed   Kind = "mixed"
)

// Because says what a span's grade rests on.
type Because string

// The grounds.
const (
	BySpan              Because = "span"                // the span by itself
	ByNeighbours        Because = "neighbours"          // it is worth a look, and so is its neighbour, the same way
	ByRunning           Because = "running"             // the running balance up to its end
	ByExpected          Because = "expected"            // the loss to be expected is too uncertain
	ByLateFlow          Because = "late-flow"           // flows after the last reading of a visit; Torn names them
	ByOpenEnd           Because = "open-end"            // no later volume is known
	ByToldWithoutAmount Because = "told-without-amount" // a customer told of it, but not of how much
	ByFlowWithoutAmount Because = "flow-without-amount" // a flow whose amount cannot be counted
)

// Since says where a running balance begins.
type Since string

// The beginnings.
const (
	SinceFirst   Since = "first"         // the first known volume
	SinceRenewed Since = "renewed"       // the first known volume of the renewed bath
	SinceYear    Since = "twelve-months" // the first known volume of the twelve months up to the end
)

// ID is the identifier of a record or a visit. In JSON it is lower-case text, and null where it names nothing.
type ID events.RecordID

// MarshalJSON writes the identifier.
func (id ID) MarshalJSON() ([]byte, error) {
	if events.RecordID(id).IsZero() {
		return []byte("null"), nil
	}
	return []byte(`"` + events.RecordID(id).String() + `"`), nil
}

// Time is when a record was done: in JSON RFC 3339 at the record's own offset.
type Time struct {
	At   events.Millis
	Zone int // minutes from UTC
}

func (t Time) String() string { return t.At.Format(t.Zone) }

// MarshalJSON writes the time.
func (t Time) MarshalJSON() ([]byte, error) { return []byte(`"` + t.String() + `"`), nil }

func timeOf(f *projections.Fact) Time { return Time{f.At, f.Zone} }

// Verdict says whether it was water or bath that went or came.
type Verdict string

// Undecided is the verdict until expected losses and strengths are reckoned with.
const Undecided Verdict = "cannot-tell"

// Ledger is where the fluid of one machine went. Lists are never nil.
type Ledger struct {
	Machine    events.MachineID `json:"machine"`
	Spans      []Span           `json:"spans"` // ascending by From
	Running    Runnings         `json:"running"`
	Reconciled []any            `json:"reconciled"` // empty until measured flows are reconciled
	Vessels    []Vessel         `json:"vessels"`
	Before     Before           `json:"before"`
}

// Terms are the terms of one balance, all positive but for what was told. What is not known is nil.
type Terms struct {
	Start        *projections.Measured `json:"start_l"`
	End          *projections.Measured `json:"end_l"`
	Added        projections.Measured  `json:"added_l"`
	Returned     projections.Measured  `json:"returned_l"`
	Told         projections.Measured  `json:"told_l"` // positive where it went in
	Removed      projections.Measured  `json:"removed_l"`
	Spilled      projections.Measured  `json:"spilled_l"`
	ExpectedLoss projections.Measured  `json:"expected_loss_l"`
	Unexplained  *projections.Measured `json:"unexplained_l"` // positive where something is missing
	WithoutTold  *projections.Measured `json:"unexplained_without_told_l"`
}

// Span is the time between two neighbouring known volumes of a tank.
type Span struct {
	Tank  string `json:"tank"`
	Kind  Kind   `json:"kind"`
	From  Time   `json:"from"`
	To    *Time  `json:"to"`    // nil for the open tail
	Visit ID     `json:"visit"` // of a span of kind visit
	Terms
	Grade       Grade                 `json:"grade"`
	Because     Because               `json:"because"`
	CountsTold  bool                  `json:"counts_told"` // the grade is that of Unexplained, not of WithoutTold
	Verdict     Verdict               `json:"verdict"`
	BathLost    *projections.Amount   `json:"bath_lost_l"`
	WaterLost   *projections.Amount   `json:"water_lost_l"`
	Torn        []ID                  `json:"torn"` // late flows that leave the grade open
	RunningL    *projections.Measured `json:"running_l"`
	RunningFrom *Time                 `json:"running_from"`
	Words       string                `json:"words"`
	Flows       []Flow                `json:"flows"`
	Accounts    []Account             `json:"told"`

	ends [2]string // names of its ends, which stay the same when they are read or amended again
}

// Flow is one flow into or out of a tank.
type Flow struct {
	Record     ID                  `json:"record"`
	Kind       events.Kind         `json:"kind"`
	L          *projections.Amount `json:"l"` // nil where it cannot be counted
	U          *projections.Amount `json:"u"`
	From       string              `json:"from"`
	To         string              `json:"to"`
	Term       string              `json:"term"`       // added, returned, removed, spilled
	Instrument events.Code         `json:"instrument"` // whose flows are off alike; empty where none is named
	Done       Time                `json:"done"`
	Visit      ID                  `json:"visit"`
	Late       bool                `json:"late"` // done after the last volume of its visit
	Flags      []projections.Flag  `json:"flags"`
}

// Account is what a customer told.
type Account struct {
	Record ID                  `json:"record"`
	What   events.Word         `json:"what"`
	L      *projections.Amount `json:"l"` // positive where it went in; nil where no amount was told
	U      *projections.Amount `json:"u"`
	Source events.Word         `json:"source"`
	Done   Time                `json:"done"`
	Visit  ID                  `json:"visit"`
}

// Running is the balance of many spans at once, from its own two ends.
type Running struct {
	Tank  string `json:"tank"`
	Since Since  `json:"since"`
	From  *Time  `json:"from"`
	To    *Time  `json:"to"`
	Terms
	Grade Grade  `json:"grade"`
	Words string `json:"words"`
}

// Runnings are the running balances of a machine: that of its first tank, and those of its others.
type Runnings struct {
	Running
	Others []Running `json:"others"`
}

// Before is what belongs before the first known volume of its tank, and hence into no balance.
type Before struct {
	Flows    []Flow    `json:"flows"`
	Accounts []Account `json:"told"`
}

// Projection is the ledger as the store runs it.
var Projection = projections.Projection{Name: "ledger", Version: 1, Results: Results}

// Fold makes the ledger of a machine.
func Fold(in projections.Input) Ledger {
	b := keep(in.Machine, in.History.Facts, in.Register)
	vessels := follow(in, b.places)
	l := Ledger{
		Machine: in.Machine, Spans: []Span{}, Reconciled: []any{}, Vessels: vessels.list(),
		Running: Runnings{Others: []Running{}}, Before: Before{[]Flow{}, []Account{}},
	}
	tanks := b.tanks(in.Machine)
	if len(tanks) == 0 {
		tanks = []string{b.places.called(in.Machine, projections.Bath)}
	}
	for i, tank := range tanks {
		k := b.book(tank)
		k.reckon()
		for j := range k.spans {
			l.Spans = append(l.Spans, k.span(j, vessels))
		}
		for _, e := range k.before {
			e.put(&l.Before.Flows, &l.Before.Accounts, e.isLate(k.late[-1]), vessels)
		}
		if i == 0 {
			l.Running.Running = k.running()
		} else {
			l.Running.Others = append(l.Running.Others, k.running())
		}
	}
	slices.SortStableFunc(l.Spans, func(a, b Span) int { return cmp.Compare(a.From.At, b.From.At) })
	return l
}

// terms are the terms of the balance from one known volume to a later one; last is len(ends) for the open tail.
func (k *book) terms(first, last int) Terms {
	var sums [columns]account
	for i := first; i < last; i++ {
		k.eachIn(i, view{told: 1}, func(e *entry) {
			if e.known {
				sums[e.column].add(e.amount, 1)
			}
		})
	}
	t := Terms{
		Added: sums[added].result(), Returned: sums[returned].result(), Told: sums[told].result(),
		Removed: sums[removed].result(), Spilled: sums[spilled].result(),
	}
	if last >= len(k.ends) {
		t.Start = measuredOf(k.ends[first].plain)
		return t
	}
	var expected account
	for i := first; i < last; i++ {
		expected.add(k.expected(i), 1)
	}
	t.ExpectedLoss = expected.result()
	start, finish := pair(&k.ends[first], &k.ends[last])
	t.Start, t.End = measuredOf(start), measuredOf(finish)
	with, without := k.between(first, last, view{told: 1}), k.between(first, last, view{})
	t.Unexplained, t.WithoutTold = resultOf(&with), resultOf(&without)
	return t
}

func measuredOf(m measured) *projections.Measured {
	x := fixed(m.l, m.u())
	return &x
}

func resultOf(a *account) *projections.Measured {
	x := a.result()
	return &x
}

// span is a span as the ledger shows it.
func (k *book) span(i int, vessels *vessels) Span {
	j := k.judged(i)
	s := Span{
		Tank: k.tank, Kind: k.spans[i].kind, From: timeOf(k.ends[i].fact), Terms: k.terms(i, i+1),
		Grade: j.grade, Because: j.because, CountsTold: j.told, Verdict: Undecided,
		Torn: []ID{}, Flows: []Flow{}, Accounts: []Account{},
	}
	s.ends[0] = k.ends[i].name()
	if s.Kind == OfVisit {
		s.Visit = ID(k.ends[i].visit)
	}
	if k.closed(i) {
		to := timeOf(k.ends[i+1].fact)
		s.To, s.ends[1] = &to, k.ends[i+1].name()
		if first, _ := k.runningFrom(i + 1); first <= i {
			told := 0
			if j.told {
				told = 1
			}
			running, from := k.between(first, i+1, view{told: told}), timeOf(k.ends[first].fact)
			s.RunningL, s.RunningFrom = resultOf(&running), &from
		}
	}
	for _, id := range k.torn[i] {
		s.Torn = append(s.Torn, ID(id))
	}
	for _, e := range k.spans[i].entries {
		e.put(&s.Flows, &s.Accounts, e.isLate(k.late[i]), vessels)
	}
	s.Words = Words(s)
	return s
}

// name is the name of an end: the visit and moment, or the record where it names no visit.
func (e *end) name() string {
	if e.visit.IsZero() {
		return e.fact.Record.ID.String()
	}
	return e.visit.String() + "." + string(e.moment)
}

func (e *entry) isLate(late []entry) bool {
	return slices.ContainsFunc(late, func(l entry) bool { return l.n == e.n })
}

// put shows an entry as a flow, or as what was told.
func (e *entry) put(flows *[]Flow, accounts *[]Account, late bool, vessels *vessels) {
	id, visit := ID(e.fact.Record.ID), ID(e.fact.Visit)
	var l, u *projections.Amount
	if e.known {
		m := measuredOf(e.amount)
		l, u = &m.Value, &m.U
	}
	if e.column == told {
		h := e.fact.Body.(*events.HistoryTold)
		*accounts = append(*accounts, Account{id, h.What, l, u, h.Source, timeOf(e.fact), visit})
		return
	}
	f := Flow{
		Record: id, Kind: e.fact.Record.Kind, L: l, U: u, From: string(e.flow.From), To: string(e.flow.To),
		Term: e.column.String(), Instrument: e.flow.Instrument, Done: timeOf(e.fact), Visit: visit, Late: late, Flags: slices.Clone(e.fact.Flags),
	}
	if f.From == "" { // a dose comes out of what is carried
		f.From = "stock"
	}
	if f.Flags == nil {
		f.Flags = []projections.Flag{}
	}
	if vessels.strange[e.fact.Record.ID] && !slices.Contains(f.Flags, projections.NotStarted) {
		f.Flags = append(f.Flags, projections.NotStarted)
	}
	*flows = append(*flows, f)
}

// running is the running balance up to the tank's last known volume.
func (k *book) running() Running {
	r := Running{Tank: k.tank, Since: SinceFirst, Grade: CannotTell}
	last := len(k.ends) - 1
	if last < 1 {
		r.Words = wordsOfRunning(r)
		return r
	}
	first, since := k.runningFrom(last)
	from, to := timeOf(k.ends[first].fact), timeOf(k.ends[last].fact)
	r.Since, r.From = since, &from
	if first < last {
		r.To, r.Terms = &to, k.terms(first, last)
		if !k.tornAt(first) && !k.tornAt(last) {
			with, without := k.between(first, last, view{told: 1}), k.between(first, last, view{})
			r.Grade = smaller(judge(&with, measured{}).grade, judge(&without, measured{}).grade)
		}
	}
	r.Words = wordsOfRunning(r)
	return r
}

// tornAt tells whether a late flow leaves open on which side of a known volume it belongs.
func (k *book) tornAt(i int) bool {
	return slices.ContainsFunc(k.late[i-1], func(e entry) bool { return slices.Contains(k.torn[i], e.fact.Record.ID) })
}

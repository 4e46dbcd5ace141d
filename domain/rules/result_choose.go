package rules

import "ductledger/domain"

// choose takes the first test before and the last one after of one method, of
// those asked for in their order, then of any; of whatever method where none
// has both.
func (r *Result) choose(set Set, tests []taken) {
	var order [6]domain.Method
	methods := order[:0]
	for _, m := range set.MethodsAsked {
		if m != domain.Pan {
			methods = append(methods, m)
		}
	}
	methods = append(methods, domain.FanTotal, domain.FanOutside, domain.Subtraction)
	for _, m := range methods {
		before, after := ends(tests, m)
		if before != nil && after != nil {
			r.before, r.after, r.Method = before, after, m
			return
		}
	}
	r.before, r.after = ends(tests, "")
	if one := r.before; one != nil {
		r.Method = one.Record.Method
	} else if one := r.after; one != nil {
		r.Method = one.Record.Method
	}
}

// ends finds the first test before and the last after; of any method where
// none is named. Ties in time go by id.
func ends(tests []taken, method domain.Method) (before, after *taken) {
	for i := range tests {
		t := &tests[i]
		switch {
		case method != "" && t.Record.Method != method:
		case t.Record.Stage == domain.Before && (before == nil || t.Record.TakenAt.Before(before.Record.TakenAt)):
			before = t
		case t.Record.Stage == domain.After && (after == nil || !t.Record.TakenAt.Before(after.Record.TakenAt)):
			after = t
		}
	}
	return before, after
}

// leaveOut names each measurement that was not used.
func (r *Result) leaveOut(job *Assembled, tests []taken) {
	for i := range tests {
		t := &tests[i]
		switch {
		case t == r.before || t == r.after:
		case t.Record.Method != r.Method:
			r.without(t.Entry, t.Record, OtherMethod, "")
		case t.Record.Stage == domain.Before:
			r.without(t.Entry, t.Record, NotFirst, "")
		default:
			r.without(t.Entry, t.Record, NotLast, "")
		}
	}
	for _, e := range job.Superseded {
		r.withoutEntry(e, IsReplaced)
	}
	for _, d := range job.Disputed {
		for _, e := range d.By {
			r.withoutEntry(e, IsReplacedTwice)
		}
	}
	for _, e := range job.Voided {
		r.withoutEntry(e, IsVoided)
	}
}

func (r *Result) withoutEntry(e *domain.Entry, reason string) {
	if m, ok := e.Record.(*domain.Measurement); ok {
		r.without(e, m, reason, "")
	}
}

func (r *Result) without(e *domain.Entry, m *domain.Measurement, reason, detail string) {
	r.LeftOut = append(r.LeftOut, LeftOutReading{e.ID, m.Stage, reason, detail})
}

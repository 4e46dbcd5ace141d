package frame

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

// Of a flood of refusals the first have a line each, none of them an error, and
// the rest one for each kind and cause.
func TestRefusalsAreToldByTheirNumber(t *testing.T) {
	f := newTestFrame(t, Limits{Work: 1, Queue: 1, QueueWait: time.Nanosecond})
	go f.call(t, "GET", "/v1/slow", f.staff, "")
	<-f.entered
	for range refusalsShown + 20 {
		wantProblem(t, f.call(t, "POST", "/v1/ducts", f.other, "{}"), 503, domain.Overloaded)
	}
	close(f.release)
	log := f.log.String()
	if n := strings.Count(log, `"level":"WARN","msg":"request"`); n != refusalsShown || strings.Contains(log, `"status":503,"level":"ERROR"`) || strings.Contains(log, `"level":"ERROR","msg":"request","method":"POST"`) {
		t.Errorf("%d refused requests have a line of their own, want %d: %s", n, refusalsShown, log)
	}

	told := &lockedBuffer{}
	r := &refusals{log: slog.New(slog.NewJSONHandler(told, nil))}
	for range refusalsShown {
		if !r.show("pushes", "work_full") {
			t.Error("one of the first has no line")
		}
	}
	for range 20 {
		if r.show("pushes", "work_full") || r.show("lists", "work_wait") {
			t.Error("one of many has a line")
		}
	}
	r.tell()
	for _, want := range []string{`"class":"pushes","cause":"work_full","count":20}`, `"class":"lists","cause":"work_wait","count":20}`} {
		if strings.Count(told.String(), want) != 1 {
			t.Errorf("%s is not told once: %s", want, told.String())
		}
	}
	r.tell() // nothing is left
	if n := strings.Count(told.String(), "\n"); n != 2 || !r.show("pushes", "work_full") {
		t.Errorf("%d lines: %s", n, told.String())
	}
	r.tell()
}

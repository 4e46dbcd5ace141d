package api_test

import (
	"testing"

	"ductledger/domain"
)

func TestTry(t *testing.T) {
	a, at := serve(t)
	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	t.Log(string(a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Body))
	t.Log(string(a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/result", nil).Body))
	must(a, a.Tokens[domain.Staff], in.review(domain.Accept))
	at.draw(t, a.World.Program, in.Job)
	t.Log(string(a.Do(domain.Inspector, "GET", "/v1/jobs/"+in.Job.String(), nil).Body))
}

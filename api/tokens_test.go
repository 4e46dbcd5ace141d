package api_test

import (
	"context"
	"strings"
	"sync/atomic"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage"

	"github.com/jackc/pgx/v5"
)

// statements counts what goes to the database.
type statements struct{ atomic.Int64 }

func (s *statements) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	s.Add(1)
	return ctx
}
func (*statements) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}
func (s *statements) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	s.Add(1)
	return ctx
}
func (*statements) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}
func (*statements) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

// S6: every way in which a token is no good reads the same, and one that was
// mistyped costs no look-up.
func TestS6BadTokens(t *testing.T) {
	t.Parallel()
	count := &statements{}
	a := apitest.Serve(t, func(o *storage.Options) { o.Tracer = count })
	good := a.Tokens[domain.Staff]
	other := strings.Replace(good, good[10:11], map[bool]string{true: "a", false: "b"}[good[10] != 'a'], 1)
	for _, c := range []struct {
		name, token string
		looked      bool
	}{
		{"none", "", false}, {"malformed", "dl_short", false}, {"mistyped", other, false}, {"in upper case", strings.ToUpper(good), false},
		{"too long", good + "a", false}, {"revoked", revokedToken(a), true},
	} {
		before := count.Load()
		got := a.Send(c.token, "GET", "/v1/jobs", nil).Want(401)
		if looked := count.Load() != before; looked != c.looked {
			t.Errorf("%s: asked the database: %v", c.name, looked)
		}
		random := a.Send("", "GET", "/v1/homes", nil).Want(401)
		if withoutTrace(t, got.Body) != withoutTrace(t, random.Body) {
			t.Errorf("%s: %s", c.name, got.Body)
		}
		if !strings.HasPrefix(got.Header.Get("WWW-Authenticate"), "Bearer ") {
			t.Errorf("%s: WWW-Authenticate %q", c.name, got.Header.Get("WWW-Authenticate"))
		}
	}
	if strings.Contains(a.Log.String(), good[3:20]) {
		t.Error("the log holds a token")
	}
}

// S6: a token that was revoked fails on the very next request; a device that
// is reported lost is told so, since its app has to act, and one that closes
// may deliver and not pull.
func TestS6RevokedDevices(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	field, at := a.Tokens[domain.Field], "/v1/devices/"+a.World.Device.String()
	device := func(state domain.DeviceState) domain.Device {
		return domain.Device{ContractorID: &a.World.Contractor, Name: "phone 1", State: state}
	}
	a.Send(field, "GET", "/v1/changes", nil).Want(200)
	a.Do(domain.Staff, "PUT", at, device(domain.DeviceIsClosing), "If-Match", `"1"`).Want(200)
	if p := a.Send(field, "GET", "/v1/changes", nil).Want(403).Problem(); p.Code != "device_closing" {
		t.Errorf("pull of a closing device: %s", p.Code)
	}
	must(a, field, item(domain.JobKind, a.World.Device, 0, domain.Job{HomeID: a.World.Home, ContractorID: a.World.Contractor, PayBasis: domain.Measured, State: domain.InWork}))
	a.Do(domain.Staff, "PUT", at, device(domain.DeviceIsRevoked), "If-Match", `"2"`).Want(200)
	for _, path := range []string{"/v1/changes", "/v1/sync", "/v1/jobs"} {
		if p := a.Send(field, "GET", path, nil).Want(401).Problem(); p.Code != "device_revoked" {
			t.Errorf("%s of a revoked device: %s", path, p.Code)
		}
	}
	unmoved(a, func() {
		a.Send(field, "POST", "/v1/batches", object{"items": []any{}}).Want(401)
	}, a.Tokens[domain.Staff])
}

// S9: a token in an address is refused, and is in no log.
func TestS9TokenInTheAddress(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	token := a.Tokens[domain.Staff]
	unmoved(a, func() {
		for _, name := range []string{"access_token", "token", "Authorization", "bearer"} {
			a.Send("", "GET", "/v1/jobs?"+name+"="+token, nil).Want(400)
			a.Send(token, "POST", "/v1/batches?"+name+"="+token, object{"items": []any{}}).Want(400)
		}
	}, token)
	if strings.Contains(a.Log.String(), token[3:]) {
		t.Error("the log holds the token")
	}
}

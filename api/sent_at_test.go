package api_test

import (
	"encoding/json"
	"slices"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
)

// A device whose clock is in another age still delivers.
func TestSentAtOfAnotherAge(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	for _, sentAt := range []string{"0001-01-01T00:00:00Z", "0001-01-01T00:00:00+14:00", "1970-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "9999-12-31T23:59:59-14:00", "yesterday"} {
		for _, role := range []domain.Role{domain.Staff, domain.Field} {
			var b batchAnswer
			// Packed, since the contract says that such times are not to be sent.
			body, err := json.Marshal(object{"sent_at": sentAt, "pending": object{"records_count": 1, "oldest_at": sentAt}, "client": object{"name": "x", "version": "1", "schema": 1},
				"items": []any{home(), object{"kind": "home"}}})
			if err != nil {
				t.Fatal(err)
			}
			a.Do(role, "POST", "/v1/batches", zipped(t, body), "Content-Encoding", "gzip").Want(207).Into(&b)
			if got := b.statuses(); !slices.Equal(got, map[domain.Role][]string{domain.Staff: {"created", "rejected"}, domain.Field: {"created", "rejected"}}[role]) {
				t.Errorf("sent_at %s by %s: %v", sentAt, role, got)
			}
		}
		a.Do(domain.Staff, "GET", "/v1/held", nil).Want(200)
		a.Do(domain.Staff, "GET", "/v1/devices", nil).Want(200)
		a.Do(domain.Staff, "GET", "/v1/changes", nil).Want(200)
	}
}

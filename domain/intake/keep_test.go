package intake_test

import (
	"testing"

	"ductledger/domain/intake"
)

func TestKeep(t *testing.T) {
	for _, c := range []struct{ name, body, stored, want string }{
		{"a newer field stays", `{"a":1}`, `{"a":2,"newer":3}`, `{"a":1,"newer":3}`},
		{"an older field can be erased", `{"a":1}`, `{"a":2,"b":3}`, `{"a":1}`},
		{"what was sent wins", `{"newer":4}`, `{"newer":3}`, `{"newer":4}`},
		{"nothing to keep", `{"a":1}`, `{"a":2}`, `{"a":1}`},
	} {
		if got, err := intake.Keep([]byte(c.body), []byte(c.stored), []string{"newer"}); err != nil || string(got) != c.want {
			t.Errorf("%s: %s, %v; want %s", c.name, got, err, c.want)
		}
	}
}

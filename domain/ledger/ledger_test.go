package ledger

import (
	"bytes"
	"testing"
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
	"pgregory.net/rapid"
)

// RFC 8785, section 3.2.2 and 3.2.4: the sample object and its canonical form.
func TestCanonicalOfTheStandardsSample(t *testing.T) {
	in := `{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}`
	want := `{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`
	got, err := Canonical([]byte(in))
	if err != nil || string(got) != want {
		t.Errorf("got %s, %v\nwant %s", got, err, want)
	}
}

// FIPS 180-4, the one-block example: SHA-256("abc").
func TestDigestOfTheStandardsExample(t *testing.T) {
	if got, want := ContentDigest([]byte("abc")).String(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestEntryIsCanonical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id := func(name string) (u domain.UUID) {
			copy(u[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, name))
			return u
		}
		maybe := rapid.Bool()
		e := domain.Entry{
			Kind: domain.OpeningKind, ID: id("id"), Version: rapid.Int64Range(1, 1<<40).Draw(t, "version"),
			Position: rapid.Int64Range(1, 1<<50).Draw(t, "position"), JobID: id("job"),
			ReceivedAt: time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "received"), 123456789).UTC(),
			RecordedAt: time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "recorded"), 1000).UTC(),
			Late:       maybe.Draw(t, "late"), Body: []byte(`{"a":1}`),
		}
		if maybe.Draw(t, "device") {
			e.DeviceID, e.TokenID, e.AppliedBy, e.PersonID, e.AppliedByPerson = id("device"), id("token"), id("applied"), id("person"), id("applied by")
			offset := rapid.Float64Range(-1e9, 1e9).Draw(t, "offset")
			e.ClockOffsetS, e.ResidentRevision = &offset, 3
		}
		if maybe.Draw(t, "void") {
			e.Void = &domain.Void{Reason: rapid.String().Draw(t, "reason"), VoidedAt: e.RecordedAt}
		}
		written := AppendEntry(nil, &e)
		value := jsontext.Value(bytes.Clone(written))
		if err := value.Canonicalize(); err != nil {
			t.Fatalf("%s: %v", written, err)
		}
		if !bytes.Equal(value, written) {
			t.Fatalf("not canonical:\n%s\n%s", written, value)
		}
	})
}

func TestChecksumForgetsWhatIsAddedTwice(t *testing.T) {
	var c Checksum
	a, b := domain.UUID{1}, domain.UUID{2}
	both := c.Add(domain.OpeningKind, a, 1).Add(domain.RepairKind, b, 2)
	if other := c.Add(domain.RepairKind, b, 2).Add(domain.OpeningKind, a, 1); other != both {
		t.Errorf("order matters: %s, %s", both, other)
	}
	if back := both.Add(domain.RepairKind, b, 2); back != c.Add(domain.OpeningKind, a, 1) || back == both {
		t.Errorf("not taken out again: %s", back)
	}
}

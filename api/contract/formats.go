package contract

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"ductledger/domain"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// newCompiler asserts formats; ours are narrower than the library's: one
// spelling of an id, and times that Go and Postgres both read.
func newCompiler() *jsonschema.Compiler {
	compiler := jsonschema.NewCompiler()
	compiler.DefaultDraft(jsonschema.Draft2020)
	compiler.AssertFormat()
	compiler.UseLoader(noLoader{})
	text := func(name string, check func(string) error) {
		compiler.RegisterFormat(&jsonschema.Format{Name: name, Validate: func(v any) error {
			if s, ok := v.(string); ok {
				return check(s)
			}
			return nil
		}})
	}
	text("uuid", func(s string) error { _, err := domain.ParseUUID(s); return err })
	text("date", func(s string) error { return checkTime(time.DateOnly, s) })
	text("date-time", func(s string) error {
		if strings.ContainsAny(s, ",tz") { // Go would take a comma before the fraction
			return errors.New("not RFC 3339")
		}
		return checkTime(time.RFC3339Nano, s)
	})
	return compiler
}

// checkTime: Postgres knows no year 0 and no offset of 16 hours or more.
func checkTime(layout, s string) error {
	t, err := time.Parse(layout, s)
	if err != nil {
		return err
	}
	_, offset := t.Zone()
	if t.Year() < 1 || offset <= -16*3600 || offset >= 16*3600 {
		return errors.New("year or offset out of range")
	}
	return nil
}

type noLoader struct{}

func (noLoader) Load(url string) (any, error) {
	return nil, fmt.Errorf("%s is outside the contract", url)
}

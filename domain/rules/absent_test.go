package rules

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"

	"ductledger/domain"
)

// Whatever fact is absent, or absurd, a job is judged: no panic, and an answer
// that JSON can carry, so without NaN or infinity.
func TestAnyFactMayBeAbsentOrAbsurd(t *testing.T) {
	for i := range clean(t).items {
		for n := 0; ; n++ {
			j := clean(t)
			j.asksPan()
			j.gas()
			fields := settable(reflect.ValueOf(j.items[i].Record).Elem(), nil)
			if n == len(fields) {
				break
			}
			f := fields[n]
			for _, x := range []float64{0, math.MaxFloat64, -1, 1e-300} {
				if f.Kind() == reflect.Pointer && f.Type().Elem().Kind() == reflect.Float64 {
					f.Set(reflect.ValueOf(&x))
					judgeable(j)
				}
			}
			f.SetZero()
			judgeable(j)
		}
	}
}

// settable lists the facts of a record that may be absent, those of its parts
// too.
func settable(v reflect.Value, fields []reflect.Value) []reflect.Value {
	for i := range v.NumField() {
		f := v.Field(i)
		if v.Type().Field(i).Name == "JobID" || v.Type().Field(i).Name == "HomeID" {
			continue
		}
		fields = append(fields, f)
		switch {
		case f.Kind() == reflect.Pointer && !f.IsNil() && f.Type().Elem().PkgPath() == reflect.TypeFor[domain.Home]().PkgPath() && f.Type().Elem().Kind() == reflect.Struct:
			fields = settable(f.Elem(), fields)
		case f.Kind() == reflect.Slice && f.Type().Elem().Kind() == reflect.Struct && f.Len() > 0:
			fields = settable(f.Index(0), fields)
		}
	}
	return fields
}

func judgeable(j *jobUnderTest) {
	j.Helper()
	a, err := Assemble(j.job, j.entries(), j.outside)
	if err != nil {
		return
	}
	result, verdict := ComputeAndJudge(j.set(), a)
	if _, err := json.Marshal([]any{result, verdict, Ask(a, result)}); err != nil {
		j.Error(err)
	}
}

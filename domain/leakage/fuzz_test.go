package leakage_test

import (
	"encoding/binary"
	"errors"
	"math"
	"reflect"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

// finite walks an answer and fails on NaN or an infinity.
func finite(t *testing.T, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Float64:
		if !stat.IsFinite(v.Float()) {
			t.Fatalf("%v in an answer", v.Float())
		}
	case reflect.Pointer:
		if !v.IsNil() {
			finite(t, v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			finite(t, v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			finite(t, v.Index(i))
		}
	}
}

// answered demands a finite answer or a refusal that names what is wrong.
func answered(t *testing.T, answer any, err error) bool {
	t.Helper()
	if err == nil {
		finite(t, reflect.ValueOf(answer))
		return true
	}
	var r *stat.Refusal
	if !errors.As(err, &r) || r.Code == "" || r.Detail == "" {
		t.Fatalf("%v is no refusal", err)
	}
	return false
}

// Any bytes as readings: refused or finite, no panic; and a test that stands
// can be carried to other air and compared.
func FuzzFan(f *testing.F) {
	bytes := func(values ...float64) []byte {
		var b []byte
		for _, v := range values {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
		return b
	}
	f.Add(bytes(25, 318), 0.6, 25.0, -10.0)
	f.Add(bytes(12, 151, 18, 183, 25, 226, 31, 249, 37, 287), 0.6, 25.0, 30.0)
	f.Add(bytes(10, 1e-320, 20, 1e308, 1e-300, 5), 0.6, 25.0, 0.0)
	f.Add(bytes(10, 90, 10.000001, 90.000003), 0.6, 25.0, 0.0)
	f.Fuzz(func(t *testing.T, raw []byte, exponent, reference, celsius float64) {
		var in []leakage.Reading
		for ; len(raw) >= 16 && len(in) < 40; raw = raw[16:] {
			in = append(in, leakage.Reading{
				PressurePa: math.Float64frombits(binary.LittleEndian.Uint64(raw)),
				FlowCFM:    math.Float64frombits(binary.LittleEndian.Uint64(raw[8:])),
			})
		}
		p := leakage.DefaultFanParameters()
		p.AssumedExponent, p.ReferencePa = exponent, reference
		test, err := leakage.Fan(in, p)
		if !answered(t, test, err) {
			return
		}
		if test.Exponent < 0.5-1e-9 || test.Exponent > 1+1e-9 || !(test.LeakageCFM > 0) {
			t.Fatalf("got %+v", test)
		}
		air := leakage.TestAir{Home: leakage.Air{TemperatureC: celsius}, Outside: leakage.ReferenceAir(), Direction: leakage.Pressurizing, FanTakes: leakage.HomeAir}
		if corrections, err := air.Corrections(); answered(t, corrections, err) {
			carried, _, err := corrections.AtReferenceAir(test)
			answered(t, carried, err)
		}
		corrected, err := leakage.SubtractZero(in, []float64{celsius}, nil)
		answered(t, corrected, err)
		before := totalOf(test)
		after := before
		after.CFM25 /= 3
		r, err := leakage.Reduce(before, after, leakage.DefaultReductionParameters())
		answered(t, r, err)
	})
}

func FuzzSubtract(f *testing.F) {
	f.Add(50.0, 1850.0, 1610.0, 44.0, 0.65)
	f.Add(1e-308, 1e308, 1e-308, 1e-310, 1.0)
	f.Fuzz(func(t *testing.T, house, whole, masked, h, n float64) {
		p := leakage.DefaultSubtractionParameters()
		p.Exponent = n
		r, err := leakage.Subtract(leakage.SubtractionTest{HousePa: house, WholeCFM: whole, MaskedCFM: masked, HouseToDuctPa: h}, p)
		if answered(t, r, err) {
			m, err := leakage.OutsideBySubtraction(r)
			answered(t, m, err)
		}
	})
}

func FuzzPan(f *testing.F) {
	f.Add(1.1, 55.0, 50.0, 0.65)
	f.Add(5e-324, 1e-323, 1e308, 1e-9)
	f.Fuzz(func(t *testing.T, pan, house, compared, n float64) {
		p := leakage.DefaultPanParameters()
		p.HousePa, p.Exponent = compared, n
		r, err := leakage.Pan([]leakage.PanReading{{PanPa: pan, HousePa: house}, {PanPa: 1, HousePa: 50}}, p)
		answered(t, r, err)
		e, err := leakage.PanOpeningRatio(pan, house, n)
		answered(t, e, err)
	})
}

func FuzzReduce(f *testing.F) {
	f.Add(318.0, 121.0, 0.02, 0.03, 3, 0.5, 1568.0)
	f.Add(1e308, 1e-308, 10.0, 10.0, 1, 0.0, 1e-308)
	f.Fuzz(func(t *testing.T, before, after, c, r float64, freedom int, rho, area float64) {
		p := leakage.DefaultReductionParameters()
		p.SharedCalibration, p.FloorAreaFt2 = rho, area
		u := leakage.Uncertainty{Calibration: c, Random: r, Freedom: float64(freedom)}
		got, err := leakage.Reduce(leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(before), Uncertainty: u},
			leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(after), Uncertainty: u}, p)
		answered(t, got, err)
	})
}

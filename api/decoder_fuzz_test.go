package api_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
)

// What the decoder takes is what the contract's schema takes, by another
// program's judgment of that schema. Texts that may not be stored are no matter
// of a schema, nor is what is too deep or too much.
func FuzzDecoderAndSchema(f *testing.F) {
	c, err := apitest.Contract()
	if err != nil {
		f.Fatal(err)
	}
	docs := api.OperationDocs()
	var names []string
	for name, doc := range docs {
		if doc.Takes != nil {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	at := func(operation string) uint8 { return uint8(slices.Index(names, operation)) }
	for _, bad := range badBodies(f) {
		if operation := c.Operation(bad.method, strings.SplitN(bad.path, "?", 2)[0]); operation != "" && docs[operation].Takes != nil {
			f.Add(at(operation), []byte(bad.body))
		}
	}
	for _, body := range []string{`{"readings":[{"pressure_pa":500.00000000000000000001,"flow_cfm":1}]}`, `{"readings":[{"pressure_pa":1e-5,"flow_cfm":100e-1}],"minimum_readings_count":1.0}`,
		`{"readings":[],"minimum_readings_count":10e-1}`, `{"house_pressure_pa":50,"whole_cfm":1,"masked_cfm":0,"house_to_duct_pa":1,"\u0065xponent":0.65}`} {
		f.Add(at("calculateFanTest"), []byte(body))
		f.Add(at("calculateSubtraction"), []byte(body))
	}
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		name := names[int(which)%len(names)]
		takes := reflect.TypeOf(docs[name].Takes)
		if takes.Kind() == reflect.Pointer {
			takes = takes.Elem()
		}
		into := reflect.New(takes)
		faults, err := strict.Read(body, into.Interface())
		if err != nil {
			return
		}
		if batch, ok := into.Interface().(*wire.Batch); ok {
			for i := range batch.Items {
				judge(t, "item", batch.Items[i].Raw, batch.Items[i].Faults, c.Schema("BatchItem", batch.Items[i].Raw))
				faults.List = append(faults.List, batch.Items[i].Faults.List...)
			}
		}
		judge(t, name, body, faults, c.Request(name, body))
	})
}

func judge(t *testing.T, name string, body []byte, faults strict.Faults, schema error) {
	t.Helper()
	ofSchema := slices.DeleteFunc(slices.Clone(faults.List), func(f domain.Fault) bool { return f.Code == "bad_characters" })
	if (len(ofSchema) == 0) != (schema == nil) {
		t.Errorf("%s: the decoder finds %v, the schema: %v\n%s", name, ofSchema, schema, body)
	}
	for _, f := range faults.List {
		if f.Code == "" || f.Detail == "" {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

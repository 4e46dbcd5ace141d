package api_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/api/contract"
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
		readAndJudge(t, c, names[int(which)%len(names)], body)
	})
}

// The same for a push alone, whose items are judged each by itself. The corpus
// has what a phone sent in a day, and what a broken one may send.
func FuzzBatch(f *testing.F) {
	c, err := apitest.Contract()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, body []byte) { readAndJudge(t, c, "postBatch", body) })
}

// readAndJudge reads the body of an operation, twice alike, and compares what the
// decoder finds with what the schemas say.
func readAndJudge(t *testing.T, c *contract.Compiled, name string, body []byte) {
	t.Helper()
	takes := reflect.TypeOf(api.OperationDocs()[name].Takes)
	if takes.Kind() == reflect.Pointer {
		takes = takes.Elem()
	}
	into, again := reflect.New(takes), reflect.New(takes)
	faults, err := strict.Read(body, into.Interface())
	if err != nil {
		return
	}
	if second, err := strict.Read(body, again.Interface()); err != nil || !reflect.DeepEqual(faults, second) {
		t.Errorf("%s: read again, the decoder finds %v, %v, before %v\n%s", name, second, err, faults, body)
	}
	if batch, ok := into.Interface().(*wire.Batch); ok {
		for i := range batch.Items {
			judge(t, "item", batch.Items[i].Raw, batch.Items[i].Faults, c.Schema("BatchItem", batch.Items[i].Raw))
			faults.List = append(faults.List, batch.Items[i].Faults.List...)
		}
	}
	judge(t, name, body, faults, c.Request(name, body))
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

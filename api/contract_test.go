package api_test

import (
	"bytes"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"ductledger/api/apitest"
	"ductledger/domain"
)

// The binary carries a copy of the contract, since embedding reaches no parent
// folder; what is served is that copy.
func TestTheContractIsServedAsItStands(t *testing.T) {
	t.Parallel()
	want, err := os.ReadFile("../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	embedded, err := os.ReadFile("openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(embedded, want) {
		t.Error("api/openapi.yaml is not ../openapi.yaml; run go generate ./api")
	}
	a := apitest.Serve(t)
	if got := a.Send("", "GET", "/openapi.yaml", nil).Want(200); !bytes.Equal(got.Body, want) {
		t.Error("/openapi.yaml is another text")
	}
	var served struct{ Paths map[string]map[string]any }
	a.Send("", "GET", "/openapi.json", nil).Want(200).Into(&served)
	paths := map[string]bool{}
	for _, at := range operations(t) {
		paths[at[1]] = true
		if served.Paths[at[1]][strings.ToLower(at[0])] == nil {
			t.Errorf("/openapi.json lacks %s %s", at[0], at[1])
		}
	}
	if len(served.Paths) != len(paths) {
		t.Errorf("/openapi.json has %d addresses, want %d", len(served.Paths), len(paths))
	}
}

// contractText is openapi.yaml as a tree.
func contractText(t testing.TB) object {
	t.Helper()
	text, err := os.ReadFile("../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var doc object
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	return doc
}

var (
	snakeCase = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	// A limit or standard error is named for its quantity; its mark may stand
	// before the unit or after it.
	limitMark = regexp.MustCompile(`_(low|high|se|u)(_cfm|_cfm25|_kwh)?$`)
)

// The units in which quantities are written, and numbers that have none.
var (
	unitSuffixes = []string{"_pa", "_cfm", "_cfm25", "_cfm50", "_cfm25_per_100ft2", "_in", "_ft", "_ft2", "_f", "_btu_h", "_mils", "_ppm",
		"_s", "_days", "_months", "_points", "_deg", "_kg_m3", "_in2", "_in3", "_gal", "_kwh", "_therm", "_btu", "_f_day", "_tons", "_px", "_ratio", "_percent", "_count", "_cents"}
	unitless = []string{
		"acknowledged_position", "area_slope", "assumed_exponent", "base_version", "before_slope", "broken", "cfm25", "closed_by_version", "coefficient", "correction_factor", "count", "cumulative_sum",
		"coverage_factor", "current_schema", "degrees_of_freedom", "denominator_freedom", "effect_variance", "equipment_efficiency", "ewma", "exponent", "failed_jobs_estimate", "fan_exponent", "fasteners_each", "figure_number", "guard_factor", "guard_factor_used", "head_position", "holds",
		"index", "f", "insulation_r", "intra_class_correlation", "job_number", "judged_at_position", "limit", "leak_flow_factor", "line_number", "listed", "listed_with_waste", "log_coefficient", "log_leakage", "log_reduction",
		"mean_effect", "mean_residual", "meter_factor", "minimum_schema", "n", "not_applicable", "not_judged", "not_recorded", "number", "numerator_freedom", "p", "numbers", "points", "position", "previous_position", "program_constant", "published_ewma", "q", "quantity", "r_squared",
		"ratio", "ratio_exact", "reduction_coverage_factor", "resident_revision", "reference_factor", "residual", "residual_sd", "return_r_value", "revision", "schema", "shared_calibration", "shift", "shared_up_to_position",
		"status", "supply_r_value", "tau", "tau2", "tau_paule_mandel", "term", "until_position", "used", "used_less_listed", "value", "version", "waived", "weight", "year_built", "z",
	}
)

func TestNamesSayTheirUnits(t *testing.T) {
	t.Parallel()
	doc := contractText(t)
	used := map[string]bool{}
	schemas := within(doc, "components", "schemas")
	for name, schema := range schemas {
		eachProperty(doc, schema.(object), func(property string, schema object) {
			if !snakeCase.MatchString(property) && property != "violated-policies" { // that name is of the draft on rates
				t.Errorf("%s.%s is not snake_case", name, property)
			}
			if items, isArray := schema["items"].(object); isArray {
				schema = resolved(doc, items)
			}
			plain := limitMark.ReplaceAllString(property, "$2")
			ends := func(suffix string) bool { return strings.HasSuffix(plain, suffix) }
			switch kind := schema["type"]; {
			case kind != "number" && kind != "integer" || slices.ContainsFunc(unitSuffixes, ends):
			case slices.Contains(unitless, plain):
				used[plain] = true
			default:
				t.Errorf("%s.%s is a number whose name tells no unit", name, property)
			}
		})
	}
	for _, name := range unitless {
		if !used[name] {
			t.Errorf("%s stands in the list of numbers without a unit, and nowhere else", name)
		}
	}
}

// Generators write names in one spelling and make more of them: a name of the
// contract that meets another there would be the type of something else.
func TestNoTwoNamesFoldIntoOne(t *testing.T) {
	t.Parallel()
	doc := contractText(t)
	taken := map[string]string{}
	take := func(name, whose string) {
		folded := strings.ReplaceAll(strings.ToLower(name), "_", "")
		if before := taken[folded]; before != "" && before != whose {
			t.Errorf("%s: %s and %s", name, before, whose)
		}
		taken[folded] = whose
	}
	for _, name := range []string{"client", "client_options", "client_option", "client_interface", "options", "config", "server_interface", "auth", "error"} {
		take(name, "a generator's own")
	}
	for _, of := range []string{"schemas", "responses"} {
		for name := range within(doc, "components", of) {
			take(name, "the component "+name)
		}
	}
	for id := range operations(t) {
		for _, more := range []string{"", "params", "query", "path", "headers", "data", "body", "json_body", "request", "request_body", "json_request_body", "response", "responses", "result", "error", "errors"} {
			take(id+more, "the operation "+id)
		}
	}
	for name, schema := range within(doc, "components", "schemas") {
		eachProperty(object{}, schema.(object), func(property string, schema object) {
			if items, isArray := schema["items"].(object); isArray {
				schema = items
			}
			if schema["enum"] != nil || schema["properties"] != nil {
				take(name+property, "the field "+name+"."+property)
			}
		})
	}
}

// eachProperty visits the properties of a schema, nested ones too; what stands
// behind a $ref is visited under its own name.
func eachProperty(doc, schema object, visit func(string, object)) {
	for name, value := range within(schema, "properties") {
		property := value.(object)
		visit(name, resolved(doc, property))
		eachProperty(doc, property, visit)
	}
	for _, name := range []string{"items", "additionalProperties"} {
		if inner, ok := schema[name].(object); ok {
			eachProperty(doc, inner, visit)
		}
	}
}

// Each operation tells of every refusal that the service makes there.
func TestOperationsTellTheirRefusals(t *testing.T) {
	t.Parallel()
	doc := contractText(t)
	for path, value := range within(doc, "paths") {
		for method, value := range value.(object) {
			op, isOperation := value.(object)
			if !isOperation {
				continue
			}
			want := []string{"400"}
			if op["security"] == nil {
				want = append(want, "401", "403", "429", "503")
			}
			if strings.Contains(path, "{") {
				want = append(want, "404")
			}
			if op["requestBody"] != nil {
				want = append(want, "413", "415", "422")
			}
			told := slices.Collect(maps.Keys(within(op, "responses")))
			for _, status := range want {
				if !slices.Contains(told, status) {
					t.Errorf("%s %s does not tell of %s", method, path, status)
				}
			}
		}
	}
}

func within(value object, names ...string) object {
	for _, name := range names {
		value, _ = value[name].(object)
	}
	return value
}

func resolved(doc, schema object) object {
	for {
		ref, ok := schema["$ref"].(string)
		if !ok {
			return schema
		}
		schema = within(doc, strings.Split(strings.TrimPrefix(ref, "#/"), "/")...)
	}
}

// exampleOf is the contract's own example of a kind.
func exampleOf(t testing.TB, doc object, kind domain.Kind) object {
	t.Helper()
	row, _ := domain.RowOf(kind)
	name := within(doc, "paths", "/v1/"+row.Plural+"/{id}", "put", "requestBody", "content", "application/json", "schema")["$ref"].(string)
	examples, _ := within(doc, strings.Split(strings.TrimPrefix(name, "#/"), "/")...)["examples"].([]any)
	if len(examples) == 0 {
		t.Fatalf("%s has no example", kind)
	}
	return examples[0].(object)
}

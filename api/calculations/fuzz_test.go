package calculations

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"ductledger/api/contract"
	"ductledger/api/docs"
	"ductledger/api/frame"
	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"pgregory.net/rapid"
)

// calculations are the handlers that compute without a database.
func calculations(t testing.TB) (*contract.Compiled, map[string]frame.Handler) {
	t.Helper()
	text, err := os.ReadFile("../../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if text, err = docs.JSON(text); err != nil {
		t.Fatal(err)
	}
	c, err := contract.Load(text, "")
	if err != nil {
		t.Fatal(err)
	}
	handlers := map[string]frame.Handler{}
	for _, rt := range Routes(frame.Route{}) {
		handlers[rt.Operation] = rt.Handle
	}
	return c, handlers
}

// computed is what must hold for any body: it is refused with a place, or the
// answer is in the contract and every number in it is finite.
func computed(c *contract.Compiled, operation string, handle frame.Handler, body []byte) error {
	out, err := handle(context.Background(), domain.Caller{}, &frame.Request{Body: body})
	var refusal *domain.Error
	switch {
	case errors.As(err, &refusal):
		if refusal.Detail == "" || refusal.Code == domain.Internal {
			return fmt.Errorf("a refusal that says nothing: %w", refusal)
		}
		return nil
	case err != nil:
		return fmt.Errorf("not a refusal: %w", err)
	}
	text, err := json.Marshal(out.Body)
	if err != nil {
		return fmt.Errorf("the answer cannot be written: %w", err) // NaN and infinities cannot
	}
	return c.CheckResponse(operation, 200, "application/json", text)
}

func FuzzCalculations(f *testing.F) {
	c, handlers := calculations(f)
	names := slices.Sorted(maps.Keys(handlers))
	for i, name := range names {
		op := c.Operations[name]
		example := contract.At(c.Doc, "paths", op.Path, "post", "requestBody", "content", "application/json", "example")
		text, err := json.Marshal(example)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(uint8(i), text)
	}
	f.Add(uint8(0), []byte(`{"readings":[{"pressure_pa":5e-324,"flow_cfm":20000},{"pressure_pa":500,"flow_cfm":1e-300}]}`))
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		name := names[int(which)%len(names)]
		if err := computed(c, name, handlers[name], body); err != nil {
			t.Errorf("%s %s: %v", name, body, err)
		}
	})
}

// Every body that the schema takes, extremes included, is answered with finite
// figures or refused.
func TestCalculationsOnAnyBodyOfTheSchema(t *testing.T) {
	c, handlers := calculations(t)
	names := slices.Sorted(maps.Keys(handlers))
	answered := map[string]int{}
	rapid.Check(t, func(r *rapid.T) {
		name := rapid.SampledFrom(names).Draw(r, "operation")
		op := c.Operations[name]
		schema := contract.At(c.Doc, "paths", op.Path, "post", "requestBody", "content", "application/json", "schema")
		text, err := json.Marshal(draw(r, c, schema))
		if err != nil {
			r.Fatal(err)
		}
		if err := computed(c, name, handlers[name], text); err != nil {
			r.Fatalf("%s %s: %v", name, text, err)
		}
		if _, err := handlers[name](context.Background(), domain.Caller{}, &frame.Request{Body: text}); err == nil {
			answered[name]++
		}
	})
	for _, name := range names {
		if answered[name] == 0 {
			t.Logf("%s: no drawn body was answered", name)
		}
	}
}

// draw makes a value that a schema of the contract describes.
func draw(r *rapid.T, c *contract.Compiled, schema any) any {
	node, _ := schema.(map[string]any)
	if ref, ok := node["$ref"].(string); ok {
		return draw(r, c, c.Resolve(ref))
	}
	if list, ok := node["enum"].([]any); ok {
		return rapid.SampledFrom(list).Draw(r, "enum")
	}
	switch node["type"] {
	case "number", "integer":
		return drawNumber(r, node)
	case "boolean":
		return rapid.Bool().Draw(r, "boolean")
	case "string":
		if strings.Contains(fmt.Sprint(node["pattern"]), "[0-9]{4}-") || node["format"] == "date" {
			return "2026-10-14"
		}
		return rapid.SampledFrom([]string{"a", "b1", "trunk_end"}).Draw(r, "text")
	case "array":
		list := make([]any, rapid.IntRange(intOf(node["minItems"], 0), min(intOf(node["maxItems"], 6), 6)).Draw(r, "items"))
		for i := range list {
			list[i] = draw(r, c, node["items"])
		}
		return list
	}
	object := map[string]any{}
	properties, _ := node["properties"].(map[string]any)
	required, _ := node["required"].([]any)
	for _, name := range slices.Sorted(maps.Keys(properties)) {
		if slices.Contains(required, any(name)) || rapid.Bool().Draw(r, name) {
			object[name] = draw(r, c, properties[name])
		}
	}
	return object
}

func intOf(value any, otherwise int) int {
	if text := fmt.Sprint(value); value != nil {
		if _, err := fmt.Sscan(text, &otherwise); err != nil {
			return 0
		}
	}
	return otherwise
}

// drawNumber gives the ends of the range, numbers hardly inside it, and any
// between.
func drawNumber(r *rapid.T, node map[string]any) any {
	limit := func(names [2]string, otherwise float64) (float64, bool) {
		for i, name := range names {
			if node[name] != nil {
				x := otherwise
				if _, err := fmt.Sscan(fmt.Sprint(node[name]), &x); err == nil {
					return x, i == 1
				}
			}
		}
		return otherwise, false
	}
	low, above := limit([2]string{"minimum", "exclusiveMinimum"}, -1e300)
	high, below := limit([2]string{"maximum", "exclusiveMaximum"}, 1e300)
	if node["type"] == "integer" {
		return int(rapid.Int64Range(int64(low), int64(high)).Draw(r, "integer"))
	}
	x := rapid.OneOf(rapid.Just(low), rapid.Just(high), rapid.Just(low+(high-low)*1e-12), rapid.Float64Range(low, high),
		rapid.Float64Range(low, low+(high-low)*1e-3)).Draw(r, "number")
	if above && x <= low {
		x = math.Nextafter(low, high)
	}
	if below && x >= high {
		x = math.Nextafter(high, low)
	}
	return jsontext.Value(fmt.Sprintf("%v", x))
}

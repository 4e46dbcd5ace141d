package contract

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"ductledger/api/strict"
)

// switchOnKind rewrites every oneOf that has a discriminator into a switch:
//
//	oneOf: [A, B], discriminator: {propertyName: kind}
//
// where A demands kind "a" and B kind "b", means the same as
//
//	type: object, required: [kind], properties: {kind: {enum: [a, b]}},
//	if kind is "a" then A, if kind is "b" then B
//
// Checked as oneOf, a record would be judged against every branch, and one
// wrong field would be reported once per branch; as a switch it is judged
// against its own branch only. The document that is served stays as written.
func switchOnKind(doc map[string]any, node any) error {
	switch n := node.(type) {
	case []any:
		for _, item := range n {
			if err := switchOnKind(doc, item); err != nil {
				return err
			}
		}
	case map[string]any:
		for _, name := range slices.Sorted(maps.Keys(n)) {
			if err := switchOnKind(doc, n[name]); err != nil {
				return err
			}
		}
		branches, isUnion := n["oneOf"].([]any)
		property, tagged := At(n, "discriminator", "propertyName").(string)
		if isUnion && tagged {
			return rewriteUnion(doc, n, branches, property)
		}
	}
	return nil
}

func rewriteUnion(doc, schema map[string]any, branches []any, property string) error {
	var kinds, cases []any
	for _, branch := range branches {
		own := kindsOf(doc, branch, property)
		if own == nil {
			return fmt.Errorf("a branch of oneOf has no const for its discriminator %q", property)
		}
		for _, kind := range own {
			if slices.Contains(kinds, kind) {
				return fmt.Errorf("two branches of oneOf have the same %q %v", property, kind)
			}
		}
		kinds = append(kinds, own...)
		cases = append(cases, map[string]any{
			"if": map[string]any{
				"type":       "object",
				"required":   []any{property},
				"properties": map[string]any{property: map[string]any{"enum": own}},
			},
			"then": branch,
		})
	}
	cases = append(cases, map[string]any{
		"type":       "object",
		"required":   []any{property},
		"properties": map[string]any{property: map[string]any{"enum": kinds}},
	})
	delete(schema, "oneOf")
	delete(schema, "discriminator")
	rest, _ := schema["allOf"].([]any)
	schema["allOf"] = append(rest, cases...)
	return nil
}

// longestChain of references is followed; a circle ends there.
const longestChain = 20

// kindsOf reads the const (or the closed list) that a branch demands.
func kindsOf(doc map[string]any, branch any, property string) []any {
	for range longestChain {
		ref, ok := At(branch, "$ref").(string)
		if !ok {
			break
		}
		branch = At(doc, strict.PointerTokens(strings.TrimPrefix(ref, "#"))...)
	}
	if kind := At(branch, "properties", property, "const"); kind != nil {
		return []any{kind}
	}
	parts, _ := At(branch, "allOf").([]any)
	for _, part := range parts {
		if kinds := kindsOf(doc, part, property); kinds != nil {
			return kinds
		}
	}
	kinds, _ := At(branch, "properties", property, "enum").([]any)
	return kinds
}

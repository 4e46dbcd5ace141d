package contract

import (
	"slices"
	"strings"
)

// withhold takes out the members that a role is not told.
func withhold(doc map[string]any, role string) {
	eachSchema(doc, func(schema map[string]any) {
		properties, _ := schema["properties"].(map[string]any)
		for name, value := range properties {
			if roles, _ := At(value, "x-not-told-to").([]any); slices.Contains(roles, any(role)) {
				delete(properties, name)
			}
		}
	})
}

// closeObjects lets no object hold a member that it does not declare. What is
// part of a larger whole is closed by that.
func closeObjects(doc map[string]any) {
	parts := map[string]bool{} // names of components
	var own []map[string]any
	eachSchema(doc, func(schema map[string]any) {
		all, _ := schema["allOf"].([]any)
		for _, part := range all {
			if ref, ok := At(part, "$ref").(string); ok {
				parts[strings.TrimPrefix(ref, "#/components/schemas/")] = true
			} else if object, ok := part.(map[string]any); ok {
				own = append(own, object)
			}
		}
	})
	eachSchema(doc, func(schema map[string]any) {
		_, said := schema["additionalProperties"]
		switch {
		case schema["allOf"] != nil:
			schema["unevaluatedProperties"] = false
		case schema["properties"] != nil && !said:
			schema["additionalProperties"] = false
		}
	})
	schemas, _ := At(doc, "components", "schemas").(map[string]any)
	for name := range parts {
		if part, ok := schemas[name].(map[string]any); ok {
			own = append(own, part)
		}
	}
	for _, part := range own {
		delete(part, "additionalProperties")
	}
}

// eachSchema visits everything in the document that may be a schema; what
// examples hold is none.
func eachSchema(node any, visit func(map[string]any)) {
	switch n := node.(type) {
	case []any:
		for _, item := range n {
			eachSchema(item, visit)
		}
	case map[string]any:
		visit(n)
		for name, inner := range n {
			if name != "example" && name != "examples" {
				eachSchema(inner, visit)
			}
		}
	}
}

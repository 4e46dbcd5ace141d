package docs

import "strings"

// typeOf says in words what a schema takes.
func (x *index) typeOf(value any) []piece {
	t, ok := value.(*tree)
	if !ok {
		return nil
	}
	if ref := t.text("$ref"); ref != "" {
		return x.named(ref)
	}
	for _, word := range []string{"oneOf", "anyOf"} {
		if list := t.list(word); len(list) > 0 {
			return x.choice(t, list)
		}
	}
	if list := t.list("allOf"); len(list) > 0 {
		var out []piece
		for i, v := range list {
			if i > 0 {
				out = append(out, piece{Text: ", and "})
			}
			out = append(out, x.typeOf(v)...)
		}
		return out
	}
	if constant := t.at("const"); constant != nil {
		return []piece{{Text: "always "}, {Text: literal(constant), Style: "code"}}
	}
	list, first := t.list("enum"), "one of "
	if grows := t.list("x-extensible-enum"); len(grows) > 0 {
		list, first = grows, "text, today one of "
	}
	if len(list) > 0 {
		out := []piece{{Text: first}}
		for i, v := range list {
			if i > 0 {
				out = append(out, piece{Text: ", "})
			}
			out = append(out, piece{Text: literal(v), Style: "code"})
		}
		return out
	}
	if len(t.list("allOf")) > 0 {
		return []piece{{Text: "object"}}
	}
	kinds := texts(t.list("type"))
	if kind := t.text("type"); kind != "" {
		kinds = []string{kind}
	}
	var out []piece
	for i, kind := range kinds {
		if i > 0 {
			out = append(out, piece{Text: " or "})
		}
		out = append(out, x.plainType(t, kind)...)
	}
	if ground := t.at("default"); ground != nil {
		out = append(out, piece{Text: "; without, "}, piece{Text: literal(ground), Style: "code"})
	}
	return out
}

// named links to a shape's page; small shared values are told at once.
func (x *index) named(ref string) []piece {
	name := ref[strings.LastIndex(ref, "/")+1:]
	return []piece{{Text: name, Link: "/docs/schemas/" + name}}
}

// choice lists the forms of a union; where a member tells them apart, its words.
func (x *index) choice(t *tree, list []any) []piece {
	if by := t.text("discriminator", "propertyName"); by != "" {
		out := []piece{{Text: "told apart by "}, {Text: by, Style: "code"}, {Text: ": "}}
		words := t.tree("discriminator", "mapping")
		for i, word := range words.names {
			if i > 0 {
				out = append(out, piece{Text: ", "})
			}
			out = append(append(out, piece{Text: word, Style: "code"}, piece{Text: " is "}), x.named(words.text(word))...)
		}
		return out
	}
	out := []piece{{Text: "one of "}}
	for i, v := range list {
		if i > 0 {
			out = append(out, piece{Text: ", "})
		}
		out = append(out, x.typeOf(v)...)
	}
	return out
}

func (x *index) plainType(t *tree, kind string) []piece {
	limits := func(low, high, unit string) string {
		least, hasLeast := t.at(low).(numeral)
		most, hasMost := t.at(high).(numeral)
		switch {
		case hasLeast && hasMost:
			return ", " + string(least) + " to " + string(most) + unit
		case hasLeast:
			return ", " + string(least) + " or more" + unit
		case hasMost:
			return ", at most " + string(most) + unit
		}
		return ""
	}
	switch kind {
	case "array":
		out := append([]piece{{Text: "list of "}}, x.typeOf(t.at("items"))...)
		return append(out, piece{Text: limits("minItems", "maxItems", " items")})
	case "object":
		if extra, ok := t.at("additionalProperties").(*tree); ok {
			return append([]piece{{Text: "object of names, each with "}}, x.typeOf(extra)...)
		}
		return []piece{{Text: "object"}}
	case "string":
		words := map[string]string{"date": "day, 2026-10-14", "date-time": "time with offset", "uuid": "id"}[t.text("format")]
		if words == "" {
			words = "text"
		}
		return []piece{{Text: words + limits("minLength", "maxLength", " characters")}}
	case "boolean":
		return []piece{{Text: "true or false"}}
	case "integer":
		return []piece{{Text: "whole number" + limits("minimum", "maximum", "")}}
	case "number":
		words := "number"
		if over, ok := t.at("exclusiveMinimum").(numeral); ok {
			words += ", above " + string(over)
		}
		return []piece{{Text: words + limits("minimum", "maximum", "")}}
	}
	return []piece{{Text: kind}}
}

// literal writes a single value without quotes.
func literal(value any) string {
	if text, ok := value.(string); ok {
		return text
	}
	var b strings.Builder
	indented(&b, value, "")
	return b.String()
}

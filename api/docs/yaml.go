package docs

import (
	"bytes"
	"fmt"

	"github.com/go-json-experiment/json/jsontext"
	"gopkg.in/yaml.v3"
)

// JSON turns the contract's text into JSON, members in the order in which
// they are written. Of YAML only what JSON has too is taken: an alias, a merge
// or a tag of its own would be read differently by other tools. A date stays
// the text it is.
func JSON(text []byte) ([]byte, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("yaml: %w", err)
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 {
		return nil, fmt.Errorf("yaml: one document is expected")
	}
	var out bytes.Buffer
	enc := jsontext.NewEncoder(&out) // refuses a name that stands twice
	if err := writeNode(enc, doc.Content[0]); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func writeNode(enc *jsontext.Encoder, n *yaml.Node) error {
	fail := func(err error) error {
		if err == nil {
			return nil
		}
		return fmt.Errorf("yaml line %d: %w", n.Line, err)
	}
	switch n.Kind {
	case yaml.MappingNode:
		if err := enc.WriteToken(jsontext.BeginObject); err != nil {
			return fail(err)
		}
		for i := 0; i < len(n.Content); i += 2 {
			key := n.Content[i]
			if key.Kind != yaml.ScalarNode || key.ShortTag() == "!!merge" {
				return fail(fmt.Errorf("a plain name is expected"))
			}
			if err := enc.WriteToken(jsontext.String(key.Value)); err != nil {
				return fail(err)
			}
			if err := writeNode(enc, n.Content[i+1]); err != nil {
				return err
			}
		}
		return fail(enc.WriteToken(jsontext.EndObject))
	case yaml.SequenceNode:
		if err := enc.WriteToken(jsontext.BeginArray); err != nil {
			return fail(err)
		}
		for _, item := range n.Content {
			if err := writeNode(enc, item); err != nil {
				return err
			}
		}
		return fail(enc.WriteToken(jsontext.EndArray))
	case yaml.ScalarNode:
		return fail(writeScalar(enc, n))
	}
	return fail(fmt.Errorf("aliases are not taken"))
}

func writeScalar(enc *jsontext.Encoder, n *yaml.Node) error {
	switch n.ShortTag() {
	case "!!null":
		return enc.WriteToken(jsontext.Null)
	case "!!bool":
		var b bool
		if err := n.Decode(&b); err != nil {
			return err
		}
		return enc.WriteToken(jsontext.Bool(b))
	case "!!int", "!!float":
		// Fails on what is a number in YAML only, such as 0x10 or .inf.
		return enc.WriteValue(jsontext.Value(n.Value))
	case "!!str", "!!timestamp":
		return enc.WriteToken(jsontext.String(n.Value))
	}
	return fmt.Errorf("the tag %s is not taken", n.ShortTag())
}

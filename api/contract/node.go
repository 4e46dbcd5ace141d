package contract

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"gopkg.in/yaml.v3"
)

// An object is a mapping whose members keep their order.
type object struct{ *yaml.Node }

func newObject() object { return object{&yaml.Node{Kind: yaml.MappingNode, Tag: "!!map"}} }

// set adds a member; nil and empty texts are left out.
func (o object) set(name string, value any) object {
	if node := nodeOf(value); node != nil {
		o.Content = append(o.Content, plain(name), node)
	}
	return o
}

// of makes an object of pairs of a name and a value.
func of(pairs ...any) object {
	o := newObject()
	for i := 0; i+1 < len(pairs); i += 2 {
		o.set(pairs[i].(string), pairs[i+1])
	}
	return o
}

func list[T any](values ...T) *yaml.Node {
	node := &yaml.Node{Kind: yaml.SequenceNode, Tag: "!!seq"}
	for _, v := range values {
		node.Content = append(node.Content, nodeOf(v))
	}
	return node
}

func (o object) get(name string) *yaml.Node {
	for i := 0; i+1 < len(o.Content); i += 2 {
		if o.Content[i].Value == name {
			return o.Content[i+1]
		}
	}
	return nil
}

func nodeOf(value any) *yaml.Node {
	switch v := value.(type) {
	case nil:
		return nil
	case object:
		return v.Node
	case *yaml.Node:
		return v
	case string:
		if v == "" {
			return nil
		}
		node := plain(v)
		if strings.Contains(v, "\n") {
			node.Style = yaml.LiteralStyle
		}
		return node
	case bool:
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!bool", Value: strconv.FormatBool(v)}
	case int:
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!int", Value: strconv.Itoa(v)}
	case float64:
		tag := "!!float"
		if v == float64(int64(v)) {
			tag = "!!int"
		}
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: tag, Value: strconv.FormatFloat(v, 'f', -1, 64)}
	case []string:
		if len(v) == 0 {
			return nil
		}
		return list(v...)
	}
	panic(fmt.Sprintf("contract: no node of %T", value)) // a mistake in this package
}

// plain is a text that stays one: the writer quotes what would be read as
// something else.
func plain(text string) *yaml.Node {
	node := &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: text}
	switch text { // older readers of YAML take these for truth values
	case "on", "off", "yes", "no", "y", "n":
		node.Style = yaml.SingleQuotedStyle
	}
	return node
}

// compact writes what holds no object of objects on one line.
func compact(node *yaml.Node) (depth int) {
	for _, child := range node.Content {
		depth = max(depth, compact(child))
	}
	if node.Kind == yaml.ScalarNode {
		return 0
	}
	depth++
	width := 0
	for _, child := range node.Content {
		width += len(child.Value) + 4
	}
	literal := false
	for _, child := range node.Content {
		literal = literal || child.Style == yaml.LiteralStyle
	}
	if !literal && (depth == 1 || depth == 2 && width < 160) {
		node.Style = yaml.FlowStyle
	}
	return depth
}

func jsonOf(value any) ([]byte, error) {
	if raw, ok := value.(jsontext.Value); ok {
		return raw, nil
	}
	return json.Marshal(value, json.Deterministic(true))
}

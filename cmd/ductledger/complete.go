package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"ductledger/api"

	"github.com/alecthomas/kong"
)

// completeCommand prints what a shell needs to complete our names. The shell
// then asks the program itself, with the line so far in COMP_LINE, so that
// what it offers is always what the program knows.
type completeCommand struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"One of ${enum}."`
}

func (completeCommand) Help() string {
	return "Prints a line for the shell's own settings.\n\nExample:\n  ductledger complete bash >> ~/.bashrc"
}

func (c *completeCommand) Run(in *invocation) error {
	line := map[string]string{
		"bash": "complete -o default -C ductledger ductledger",
		"zsh":  "autoload -U +X bashcompinit && bashcompinit && complete -o default -C ductledger ductledger",
		"fish": "complete -c ductledger -a '(env COMP_LINE=(commandline -cp) ductledger)'",
	}[c.Shell]
	return in.answer(map[string]any{"line": line}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, line)
		return err
	})
}

// candidates are the names that can stand where a line of a shell ends: of
// commands, of their flags, or of what a flag or an argument takes from a
// closed list.
func candidates(model *kong.Application, line string) []string {
	words := strings.Fields(line)
	last := ""
	if len(words) > 0 && !strings.HasSuffix(line, " ") {
		last, words = words[len(words)-1], words[:len(words)-1]
	}
	node, flags := model.Node, slices.Clone(model.Flags)
	var open *kong.Flag // waits for its value
	for _, word := range words[min(1, len(words)):] {
		if open != nil {
			open = nil
			continue
		}
		if name, isFlag := strings.CutPrefix(word, "--"); isFlag {
			i := slices.IndexFunc(flags, func(f *kong.Flag) bool { return f.Name == name })
			if i >= 0 && !flags[i].IsBool() {
				open = flags[i]
			}
			continue
		}
		if i := slices.IndexFunc(node.Children, func(n *kong.Node) bool { return n.Name == word }); i >= 0 {
			node = node.Children[i]
			flags = append(flags, node.Flags...)
		}
	}
	var all []string
	switch {
	case open != nil:
		all = open.EnumSlice()
	case strings.HasPrefix(last, "-"):
		for _, f := range flags {
			if !f.Hidden {
				all = append(all, "--"+f.Name)
			}
		}
	default:
		for _, child := range node.Children {
			all = append(all, child.Name)
		}
		for _, arg := range node.Positional {
			all = append(all, arg.EnumSlice()...)
		}
		if node.Name == "example" {
			all = append(all, exampleNames()...)
		}
	}
	slices.Sort(all)
	return slices.DeleteFunc(slices.Compact(all), func(name string) bool { return name == "" || !strings.HasPrefix(name, last) })
}

// versionFlag prints which program this is.
type versionFlag bool

// BeforeReset runs before anything is asked of the other flags.
func (versionFlag) BeforeReset(app *kong.Kong) error {
	fmt.Fprintln(app.Stdout, api.BuildID())
	app.Exit(exitGood)
	return nil
}

package main

import (
	"fmt"
	"io"

	"github.com/google/uuid"
)

type idCommand struct{}

func (idCommand) Help() string {
	return "Whoever creates a record makes its id, before the first send.\n\nExample:\n  id=$(ductledger id)"
}

func (idCommand) Run(in *invocation) error {
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	return in.answer(map[string]any{"id": id.String()}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, id)
		return err
	})
}

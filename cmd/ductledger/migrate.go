package main

import (
	"fmt"
	"io"

	"ductledger/migrations"
)

type migrateCommands struct {
	Up     migrateUpCommand     `cmd:"" help:"Apply what is missing."`
	Status migrateStatusCommand `cmd:"" help:"Show where the schema stands."`
}

type migrateUpCommand struct{ databaseSettings }

func (migrateUpCommand) Help() string {
	return "The address is that of the role that owns the schema, not the service's.\n\nExample:\n  DATABASE_URL=postgres://owner:…@db/ductledger ductledger migrate up"
}

func (c *migrateUpCommand) Run(in *invocation) error {
	address, err := c.address()
	if err != nil {
		return err
	}
	if err := migrations.Up(in.ctx, address); err != nil {
		return err
	}
	return printStatus(in, address)
}

type migrateStatusCommand struct{ databaseSettings }

func (migrateStatusCommand) Help() string {
	return "Example:\n  DATABASE_URL=postgres://…@db/ductledger ductledger migrate status"
}

func (c *migrateStatusCommand) Run(in *invocation) error {
	address, err := c.address()
	if err != nil {
		return err
	}
	return printStatus(in, address)
}

func printStatus(in *invocation, address string) error {
	state, err := migrations.Status(in.ctx, address)
	if err != nil {
		return err
	}
	shown := map[string]any{"version": state.Current, "newest_version": state.Newest, "dirty": state.Dirty, "pending": append([]string{}, state.Pending...)}
	return in.answer(shown, func(w io.Writer) error {
		fmt.Fprintf(w, "schema at version %d of %d\n", state.Current, state.Newest)
		if state.Dirty {
			fmt.Fprintln(w, "a run was killed or is at work; the next migrate up mends it")
		}
		for _, file := range state.Pending {
			fmt.Fprintln(w, "pending "+file)
		}
		return nil
	})
}

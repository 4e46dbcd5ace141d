package main

import (
	"fmt"
	"io"

	"ductledger/storage"
)

// historyCommand is the operator's word on a database that is another than
// the one in which the ledger was last written.
type historyCommand struct {
	Failover historyFailover `cmd:"" help:"Take this database: it was a planned move that lost nothing."`
	Restored historyRestored `cmd:"" help:"Take this database: it was restored, and what came after the backup is to be sent again."`
}

func (historyCommand) Help() string {
	return "serve stops when the database is not the one that wrote last, until one of these says what happened.\n\nExample:\n  DATABASE_URL=postgres://…@db/ductledger ductledger history restored"
}

type historyFailover struct{ databaseSettings }

func (historyFailover) Help() string {
	return "The history goes on; devices notice nothing.\n\nExample:\n  ductledger history failover"
}

func (c *historyFailover) Run(in *invocation) error {
	db, err := c.open(in, storage.Options{})
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.NameFailover(in.ctx); err != nil {
		return err
	}
	return in.answer(map[string]any{"taken": "failover"}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, "taken: the history goes on")
		return err
	})
}

type historyRestored struct{ databaseSettings }

func (historyRestored) Help() string {
	return "Every program begins a new epoch; devices send again what they sent since the backup.\n\nExample:\n  ductledger history restored"
}

func (c *historyRestored) Run(in *invocation) error {
	db, err := c.open(in, storage.Options{})
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.NameRestore(in.ctx); err != nil {
		return err
	}
	return in.answer(map[string]any{"taken": "restored"}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, "taken: every program begins a new epoch, and its devices send again what was lost")
		return err
	})
}

package storage

import (
	"ductledger/domain"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// named are the arguments of a statement by name. Ids become what Postgres
// takes; the zero id is NULL.
type named map[string]any

func (n named) pgx() pgx.NamedArgs {
	args := make(pgx.NamedArgs, len(n))
	for name, value := range n {
		switch v := value.(type) {
		case domain.UUID:
			args[name] = idArg(v)
		case []domain.UUID:
			args[name] = idArgs(v)
		default:
			args[name] = v
		}
	}
	return args
}

// affected counts the rows that a queued statement changed.
func affected(n *int64) func(pgconn.CommandTag) error {
	return func(tag pgconn.CommandTag) error {
		*n = tag.RowsAffected()
		return nil
	}
}

package storage

import (
	"context"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"unicode"

	"ductledger/domain"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Args are the arguments of a statement by name, written @name in it. Ids
// become what Postgres takes; the zero id is NULL. They are read when the
// statement is sent, not when it is queued.
type Args map[string]any

// A numberedSQL is a statement with $1, $2 ... in place of the names.
type numberedSQL struct {
	text  string
	names []string
}

// numbered keeps the statements that were rewritten once: there are as many as
// the code has, and a push sends some fifty of them.
var numbered sync.Map // of numberedSQL, by the text with names

// RewriteQuery is called by pgx for a statement whose only argument is an Args.
func (n Args) RewriteQuery(ctx context.Context, conn *pgx.Conn, sql string, _ []any) (string, []any, error) {
	kept, ok := numbered.Load(sql)
	if !ok {
		places := make(pgx.NamedArgs, len(n))
		for name := range n {
			places[name] = name
		}
		text, order, err := places.RewriteQuery(ctx, conn, sql, nil)
		if err != nil {
			return "", nil, fmt.Errorf("number the arguments of a statement: %w", err)
		}
		statement := numberedSQL{text, make([]string, len(order))}
		for i := range order {
			if statement.names[i], ok = order[i].(string); !ok {
				return "", nil, fmt.Errorf("argument %d of %.60q is not given", i+1, sql)
			}
		}
		kept, _ = numbered.LoadOrStore(sql, statement)
	}
	statement := kept.(numberedSQL)
	args := make([]any, len(statement.names))
	for i, name := range statement.names {
		value, ok := n[name]
		if !ok {
			return "", nil, fmt.Errorf("@%s of %.60q is not given", name, sql)
		}
		switch v := value.(type) {
		case domain.UUID:
			args[i] = idArg(v)
		case []domain.UUID:
			args[i] = idArgs(v)
		default:
			args[i] = v
		}
	}
	return statement.text, args, nil
}

// Affected counts the rows that a queued statement changed.
func Affected(n *int64) func(pgconn.CommandTag) error {
	return func(tag pgconn.CommandTag) error {
		*n = tag.RowsAffected()
		return nil
	}
}

// OrNull is a value as an argument; the zero value is NULL.
func OrNull[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

// OrZero is what a column holds; NULL is the zero value.
func OrZero[T any](v *T) (value T) {
	if v != nil {
		value = *v
	}
	return value
}

// IDOf is an id that a column holds; NULL is the zero id.
func IDOf(id *[16]byte) domain.UUID {
	if id == nil {
		return domain.UUID{}
	}
	return *id
}

// idArg is an id as an argument; the zero id is NULL.
func idArg(id domain.UUID) *[16]byte {
	if id.IsZero() {
		return nil
	}
	b := [16]byte(id)
	return &b
}

// idArgs are ids as one array argument.
func idArgs(ids []domain.UUID) [][16]byte {
	args := make([][16]byte, len(ids))
	for i, id := range ids {
		args[i] = id
	}
	return args
}

// columnsOf are the columns of a struct's fields, in their order, as
// RowToStructByName reads them.
func columnsOf[T any]() (columns []string) {
	t := reflect.TypeFor[T]()
	for i := range t.NumField() {
		columns = append(columns, columnOf(t.Field(i).Name))
	}
	return columns
}

// columnOf is the column of a field: BeforeTenths is before_tenths.
func columnOf(field string) string {
	var b strings.Builder
	for i, r := range field {
		upper := r >= 'A' && r <= 'Z'
		if upper && i > 0 && (field[i-1] < 'A' || field[i-1] > 'Z') {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// ListOf is a list of columns, each with what stands before it.
func ListOf(columns []string, before string) string {
	return before + strings.Join(columns, ", "+before)
}

// ArgsOf are the fields of a row as arguments by the names of their columns.
func ArgsOf[T any](row *T) Args {
	v := reflect.ValueOf(row).Elem()
	args := make(Args, v.NumField())
	for i := range v.NumField() {
		args[columnOf(v.Type().Field(i).Name)] = v.Field(i).Interface()
	}
	return args
}

package cluster_test

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"ductledger/storage/cluster"
)

func ExampleStart() {
	ctx := context.Background()
	c, err := cluster.Start(ctx, cluster.Options{Database: "example", Fast: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer func() { _ = c.Stop() }()

	conn, err := pgx.Connect(ctx, c.URL(""))
	if err != nil {
		fmt.Println(err)
		return
	}
	defer func() { _ = conn.Close(ctx) }()
	var encoding string
	if err := conn.QueryRow(ctx, "SHOW server_encoding").Scan(&encoding); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(encoding)
	// Output: UTF8
}

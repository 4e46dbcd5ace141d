package api

import (
	"context"
	"log/slog"
	"net"
	"net/http"
)

// Serve serves the handler on a listener until ctx ends, then lets requests
// under way finish, DrainTime at most.
func Serve(ctx context.Context, handler http.Handler, listener net.Listener, log *slog.Logger) error {
	return serveUntil(ctx, newHTTPServer(handler, limits{}, log), listener, DrainTime)
}

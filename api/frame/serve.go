package frame

import (
	"context"
	"log/slog"
	"net"
	"net/http"
)

// Serve serves the handler on a listener until ctx ends, then lets requests
// under way finish, StopTime at most.
func Serve(ctx context.Context, handler http.Handler, listener net.Listener, log *slog.Logger, lim Limits) error {
	lim = lim.OrDefaults()
	return serveUntil(ctx, newHTTPServer(handler, lim, log), newBoundedListener(listener, lim), lim.StopTime)
}

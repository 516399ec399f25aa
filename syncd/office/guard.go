package office

import (
	"net"
	"net/http"
	"strings"
)

// Guard refuses what a page from elsewhere, whose name somebody has pointed here, could make a browser ask, and sets
// the headers that keep a browser from doing more with an answer than show it. names are those by which the centre is
// called beside the ones of this machine alone.
func Guard(next http.Handler, names ...string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		// Not no-referrer: a browser would then hide from us, too, from where a form comes.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		if !ours(r.Host, names) {
			http.Error(w, "the centre is not called by this name here; start it with --name for one by which it is reached", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// ours tells whether a request calls us by a name of this machine alone, or by one of names.
func ours(host string, names []string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	for _, name := range append([]string{"127.0.0.1", "localhost", "::1"}, names...) {
		if strings.EqualFold(host, name) {
			return true
		}
	}
	return false
}

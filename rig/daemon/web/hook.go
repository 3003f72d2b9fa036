package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"drench/results/verdict"
	"drench/rig/daemon"
)

// hookText is a webhook as its form shows it: the address, and after it the
// verdicts that it is told of.
func hookText(h daemon.Hook) string {
	words := []string{h.URL}
	for _, v := range h.On {
		words = append(words, v.String())
	}
	return strings.Join(words, " ")
}

func readHook(line string) (daemon.Hook, error) {
	words := strings.Fields(line)
	u, err := url.Parse(words[0])
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
		return daemon.Hook{}, fmt.Errorf("%q; expected an address such as https://example.org/hook, and after it verdicts or nothing", words[0])
	}
	h := daemon.Hook{URL: words[0]}
	for _, w := range words[1:] {
		v, err := verdict.Parse(w)
		if err != nil {
			return daemon.Hook{}, fmt.Errorf("verdict %q; expected pass, fail, inconc or error", w)
		}
		h.On = append(h.On, v)
	}
	return h, nil
}

// merge takes over from a night that is kept what its form can't change: the
// commands that are told verdicts.
func (s *site) merge(r *http.Request, n *daemon.Night, isNew bool) (wrong []string, err error) {
	old, err := s.Bench.Night(r.Context(), n.Name)
	switch {
	case errors.Is(err, daemon.ErrNotFound):
		return nil, nil
	case err != nil:
		return nil, err
	case isNew:
		return []string{fmt.Sprintf("name: there is a night %s already; expected a name that is free, or change that one", n.Name)}, nil
	}
	for _, h := range old.Hooks {
		if h.Command != "" {
			n.Hooks = append(n.Hooks, h)
		}
	}
	return nil, nil
}

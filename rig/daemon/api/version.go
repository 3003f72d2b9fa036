package api

import (
	"errors"
	"slices"
	"strings"
)

// ifMatch says which version a change is meant for (RFC 9110, 13.1).
type ifMatch struct {
	Match     string `header:"If-Match" about:"the ETag of the version that is to be changed; needed if it exists"`
	NoneMatch string `header:"If-None-Match" about:"* to make it only if it does not exist"`
}

// tags splits a list of entity tags. Weak ones are never given out.
func tags(list string) []string {
	var out []string
	for _, t := range strings.Split(list, ",") {
		if t = strings.TrimSpace(t); t != "" {
			out = append(out, t)
		}
	}
	return out
}

// allows tells whether what is kept now may be changed. version is its entity
// tag; err is why there is none. It tells whether there was one before.
func (m ifMatch) allows(version string, err error) (existed bool, _ error) {
	match := tags(m.Match)
	switch {
	case m.NoneMatch != "" && m.NoneMatch != "*":
		return false, &failure{class: malformed, where: "header If-None-Match", what: "it names a version", want: "*"}
	case err != nil && asFailure(err).class != missing:
		return false, err
	case err != nil && match != nil:
		return false, &failure{class: changed, where: "header If-Match", what: "it does not exist, or no more", mend: "leave If-Match out to make it anew", cause: errors.Unwrap(err)}
	case err != nil:
		return false, nil
	case m.NoneMatch == "*":
		return true, &failure{class: changed, where: "header If-None-Match", what: "it exists", mend: "get it, and send its ETag as If-Match"}
	case match == nil:
		return true, &failure{class: needsVersion, where: "header If-Match", what: "it is missing, and there is a version already", want: "the ETag of the version that you have seen"}
	case !slices.Contains(match, "*") && !slices.Contains(match, version):
		return true, &failure{class: changed, where: "header If-Match", what: "it names " + strings.Join(match, ", ") + ", and the version is " + version, mend: "get it again, and put your change into that"}
	}
	return true, nil
}

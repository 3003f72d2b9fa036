package api

import (
	"net/http"

	"drench/rig/daemon/access"
	"drench/rig/mistake"
)

const about group = "about"

func aboutOperations() []operation {
	return []operation{
		op(http.MethodGet, "/openapi.json", "openapi", access.ToLook, "This list of operations as an OpenAPI 3.1 document", getDocument),
		op(http.MethodGet, "/problems/{kind}", "explainProblem", access.ToLook, "What a kind of problem means", explainProblem),
		op(http.MethodGet, "/me", "whoAmI", access.ToLook, "Who asks, and with which role", whoAmI),
	}
}

func getDocument(c *call, _ nothing) (map[string]any, error) { return document(c.api.table), nil }

func explainProblem(_ *call, q struct {
	Kind string `path:"kind" about:"the end of a problem's type"`
}) (class, error) {
	for _, k := range classes {
		if k.Slug == q.Kind {
			return k, nil
		}
	}
	return class{}, notFound("there is no problem "+mistake.Quote(q.Kind), "take the type that a problem names")
}

type person struct {
	Name string `json:"name"`
	Role string `json:"role"`
}

func whoAmI(c *call, _ nothing) (person, error) {
	who := access.Who(c.Context())
	return person{who.Name, who.Role.String()}, nil
}

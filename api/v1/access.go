package v1

import "time"

// Roles of tokens.
const (
	RoleStudio   = "studio"   // submits, sees its own jobs only
	RoleEngineer = "engineer" // sees all jobs, listens, signs off
	RoleOperator = "operator" // sees all jobs and the service, issues tokens; neither listens nor signs off
)

// Token is a right of entry, without its secret.
type Token struct {
	ID      string    `json:"id" doc:"Public part"`
	Name    string    `json:"name" doc:"Whose it is"`
	Role    string    `json:"role" enum:"studio,engineer,operator"`
	Studio  string    `json:"studio,omitempty" doc:"Of a studio's token"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires,omitzero"`
	Revoked time.Time `json:"revoked,omitzero"`
}

// NewToken asks for a token.
type NewToken struct {
	Name    string  `json:"name" minLength:"1" maxLength:"100"`
	Role    string  `json:"role" enum:"studio,engineer,operator"`
	Studio  string  `json:"studio,omitempty" maxLength:"64" doc:"Needed for role studio: lower-case letters, digits, - and _"`
	DaysFor float64 `json:"days,omitempty" minimum:"0" maximum:"3650" doc:"Valid for so many days; 0: until revoked"`
}

// IssuedToken is a new token with its secret, which is never shown again.
type IssuedToken struct {
	Token
	Secret string `json:"secret"`
}

// Tokens is a list of tokens.
type Tokens struct {
	Tokens []Token `json:"tokens"`
}

// Me says who asks.
type Me struct {
	Role    string    `json:"role"`
	Studio  string    `json:"studio,omitempty"`
	Name    string    `json:"name,omitempty"`
	TokenID string    `json:"token_id,omitempty"`
	Expires time.Time `json:"expires,omitzero"`
	SignIn  bool      `json:"sign_in" doc:"Whether this service asks for sign-in"`
}

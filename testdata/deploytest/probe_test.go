package deploytest

import (
	_ "github.com/compose-spec/compose-go/v2/loader"
	_ "k8s.io/api/apps/v1"
	_ "k8s.io/api/core/v1"
	_ "k8s.io/api/networking/v1"
	_ "k8s.io/api/policy/v1"
	_ "sigs.k8s.io/yaml"
)

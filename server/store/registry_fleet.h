// Builds the fleet that everything works with from the registry's rows. Pure and thread-safe.
#pragma once

#include <memory>

#include "absl/status/statusor.h"
#include "server/model/fleet.h"
#include "server/store/registry_image.h"

namespace bayward {

// FailedPrecondition names the declared time zones that this host does not know.
absl::StatusOr<std::shared_ptr<const Fleet>> BuildFleet(const RegistryImage& image);

}  // namespace bayward

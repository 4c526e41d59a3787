#include "server/api/tzdata.h"

#include <cstdlib>
#include <fstream>
#include <string_view>

namespace bayward {
namespace {

std::string FirstLine(const std::string& path) {
  std::ifstream file(path);
  std::string line;
  std::getline(file, line);
  return line;
}

}  // namespace

std::string TzdataVersion(const std::string& directory) {
  constexpr std::string_view kMark = "# version ";
  const std::string line = FirstLine(directory + "/tzdata.zi");
  if (line.starts_with(kMark)) return line.substr(kMark.size());
  const std::string version = FirstLine(directory + "/+VERSION");
  return version.empty() ? "unknown" : version;
}

std::string ZoneDirectory() {
  const char* directory = std::getenv("TZDIR");
  return directory != nullptr && *directory != '\0' ? directory : "/usr/share/zoneinfo";
}

}  // namespace bayward

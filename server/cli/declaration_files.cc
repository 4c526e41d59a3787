#include "server/cli/declaration_files.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <system_error>

#include "proto/common/status.h"

namespace bayward::cli {
namespace {

namespace fs = std::filesystem;

absl::StatusOr<std::vector<fs::path>> FilesOf(const std::string& name) {
  const fs::path path(name);
  std::error_code error;
  if (!fs::exists(path, error))
    return NotFound("{}: expected a declaration file or a folder of them; there is none", name);
  if (!fs::is_directory(path, error)) return std::vector<fs::path>{path};
  std::vector<fs::path> files;
  for (fs::directory_iterator entry(path, error), end; !error && entry != end; entry.increment(error)) {
    if (entry->path().extension() == ".toml" && !entry->is_directory()) files.push_back(entry->path());
  }
  if (error) return Internal("{} cannot be read: {}", name, error.message());
  if (files.empty()) return NotFound("{}: expected *.toml files in this folder; there are none", name);
  std::sort(files.begin(), files.end());
  return files;
}

}  // namespace

absl::StatusOr<v1::DeclareFleetRequest> ReadDeclarationFiles(const std::vector<std::string>& paths) {
  v1::DeclareFleetRequest request;
  for (const std::string& name : paths) {
    BAYWARD_ASSIGN_OR_RETURN(const std::vector<fs::path> files, FilesOf(name));
    for (const fs::path& path : files) {
      std::ifstream stream(path, std::ios::binary);
      std::ostringstream text;
      text << stream.rdbuf();
      if (!stream) return Internal("{} cannot be read", path.string());
      auto& file = *request.add_files();
      file.set_name(path.string());
      file.set_text(text.str());
    }
  }
  return request;
}

}  // namespace bayward::cli

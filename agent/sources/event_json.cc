#include "agent/sources/event_json.h"

#include <unordered_map>

#include "google/protobuf/type.pb.h"
#include "google/protobuf/util/json_util.h"
#include "google/protobuf/util/type_resolver.h"
#include "google/protobuf/util/type_resolver_util.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

namespace util = google::protobuf::util;

constexpr char kUrlPrefix[] = "type.googleapis.com";
constexpr char kEventUrl[] = "type.googleapis.com/bayward.v1.Event";

}  // namespace

class EventJsonReader::TypeCache : public util::TypeResolver {
 public:
  TypeCache()
      : resolver_(util::NewTypeResolverForDescriptorPool(
            kUrlPrefix, google::protobuf::DescriptorPool::generated_pool())) {}

  util::Status ResolveMessageType(const std::string& url, google::protobuf::Type* type) override {
    const auto [entry, added] = types_.try_emplace(url);
    if (added) {
      util::Status status = resolver_->ResolveMessageType(url, &entry->second);
      if (!status.ok()) {
        types_.erase(entry);
        return status;
      }
    }
    *type = entry->second;
    return {};
  }

  util::Status ResolveEnumType(const std::string& url, google::protobuf::Enum* type) override {
    const auto [entry, added] = enums_.try_emplace(url);
    if (added) {
      util::Status status = resolver_->ResolveEnumType(url, &entry->second);
      if (!status.ok()) {
        enums_.erase(entry);
        return status;
      }
      // The traits of a hundred fault classes: reading names and numbers needs none of them.
      for (google::protobuf::EnumValue& value : *entry->second.mutable_enumvalue()) value.clear_options();
    }
    *type = entry->second;
    return {};
  }

 private:
  std::unique_ptr<util::TypeResolver> resolver_;
  std::unordered_map<std::string, google::protobuf::Type> types_;
  std::unordered_map<std::string, google::protobuf::Enum> enums_;
};

EventJsonReader::EventJsonReader() : types_(std::make_unique<TypeCache>()) {}
EventJsonReader::~EventJsonReader() = default;

absl::Status EventJsonReader::Read(const std::string& json, v1::Event& event) {
  std::string bytes;
  const auto read = util::JsonToBinaryString(types_.get(), kEventUrl, json, &bytes);
  if (!read.ok()) return InvalidArgument("no bayward.v1.Event: {}", std::string(read.message()));
  if (!event.ParseFromString(bytes))
    return InvalidArgument("no bayward.v1.Event: text that is not UTF-8, or too long");
  return absl::OkStatus();
}

}  // namespace bayward

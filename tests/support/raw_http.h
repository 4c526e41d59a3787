// An HTTP client that sends exactly the bytes it is told to, for tests of servers. One thread per object.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace bayward {

struct RawResponse {
  int status = 0;
  std::map<std::string, std::string> headers;  // names in lower case
  std::string body;
};

class RawHttp {
 public:
  // Connects to 127.0.0.1. Reads give up after 20 s.
  explicit RawHttp(std::uint16_t port);
  ~RawHttp();
  RawHttp(const RawHttp&) = delete;
  RawHttp& operator=(const RawHttp&) = delete;

  bool connected() const { return connected_; }
  bool Send(std::string_view bytes);
  // The next response; nullopt where the connection ends before it is whole. `to_head`: it answers a HEAD.
  std::optional<RawResponse> Read(bool to_head = false);
  // True once the server has closed and nothing more came before.
  bool ReadsEnd();

 private:
  bool Fill();

  int socket_ = -1;
  bool connected_ = false;
  std::string buffer_;
};

// A whole request with Host and, for a body, its length. `headers` are added.
std::string MakeRequest(std::string_view method, std::string_view path, std::string_view body = {},
                        const std::vector<std::pair<std::string, std::string>>& headers = {});
// A POST with JSON.
std::string MakePost(std::string_view path, std::string_view json);

// Connects, sends, reads one response.
std::optional<RawResponse> Ask(std::uint16_t port, const std::string& request);

}  // namespace bayward

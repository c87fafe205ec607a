#include "serve/http_session.hpp"

#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <optional>
#include <sstream>

#include "serve/access.hpp"

namespace tickledger {

namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using boost::system::error_code;
using Protocol = asio::generic::stream_protocol;

// How long a client that was refused may take to read why.
constexpr auto farewell = std::chrono::seconds{2};

Response problem_of_unreadable(error_code error, const HttpLimits& limits) {
    if (error == http::error::header_limit) {
        return problem(
            431, "The request's header is larger than " + std::to_string(limits.header_bytes) + " bytes.");
    }
    if (error == http::error::body_limit) {
        return problem(413,
                       "The request's body is larger than " + std::to_string(limits.body_bytes) + " bytes.");
    }
    return problem(400, "The request can not be read as HTTP/1.1: " + error.message() + ".");
}

}  // namespace

// One connection: reads a request, writes its answer, and so on in turn. Keeps itself alive through the
// handlers that wait for it.
class Session : public std::enable_shared_from_this<Session> {
public:
    Session(Protocol::socket socket, std::shared_ptr<Sessions> sessions, bool is_local)
        : stream_(std::move(socket)), sessions_(std::move(sessions)), is_local_(is_local) {
        ++sessions_->count;
    }
    Session(const Session&) = delete;
    Session& operator=(const Session&) = delete;
    ~Session() {
        sessions_->waiting.erase(this);
        --sessions_->count;
    }

    /// Waits for the next request.
    void receive() {
        parser_.emplace();
        parser_->header_limit(static_cast<std::uint32_t>(sessions_->limits.header_bytes));
        parser_->body_limit(sessions_->limits.body_bytes);
        stream_.expires_after(sessions_->limits.receive);
        http::async_read(stream_, buffer_, *parser_,
                         beast::bind_front_handler(&Session::on_received, shared_from_this()));
    }

    // Says that there are too many connections, without waiting for a request.
    void turn_away() {
        close_after_ = refused_ = true;
        send(problem(503, "There are too many connections at this moment. Try again in a few seconds."));
    }

    /// For one that waits: there may be news.
    void look_for_news() {
        if (!sessions_->waiting.erase(this)) return;
        news_timer_->cancel();
        send_news();
    }

private:
    // What of an answer is still to be sent once the write that runs is done.
    enum class Rest : std::uint8_t { nothing, held_part, parts, end, news };

    void on_received(error_code error, std::size_t) {
        if (!error) return answer(parser_->get());
        // The client has gone, in good order or not, or took too long: nobody waits for an answer.
        const bool is_unreadable = error.category() == make_error_code(http::error::bad_method).category();
        if (!is_unreadable || error == http::error::end_of_stream || error == http::error::partial_message)
            return;
        close_after_ = refused_ = true;
        send(problem_of_unreadable(error, sessions_->limits));
    }

    void answer(const http::request<http::string_body>& received) {
        is_head_ = received.method() == http::verb::head;
        is_chunkable_ = received.version() >= 11;
        close_after_ = !received.keep_alive();
        send(answer_to(received));
    }

    Response answer_to(const http::request<http::string_body>& received) const {
        const bool only_asks = received.method() == http::verb::get || received.method() == http::verb::head;
        if (auto refusal = refusal_of({.is_local = is_local_,
                                       .must_name_host = received.version() >= 11,
                                       .only_asks = only_asks,
                                       .host = received[http::field::host],
                                       .origin = received[http::field::origin],
                                       .authorization = received[http::field::authorization]},
                                      sessions_->token)) {
            return *std::move(refusal);
        }
        auto request = read_target(received.target());
        if (!request) return problem(400, request.error().text);
        request->method = received.method_string();
        request->content_type = received[http::field::content_type];
        request->if_none_match = received[http::field::if_none_match];
        request->body = received.body();
        try {
            return sessions_->handler(*request);
        } catch (const std::exception& failure) {
            sessions_->tell("The request " + request->path + " failed: " + failure.what());
            return problem(500, "The request failed inside the daemon; its journal says more.");
        }
    }

    // Begins the answer: what fits one part goes with its length, anything longer in chunks.
    void send(Response response) {
        news_ = std::move(response.news);
        chunks_ = std::move(response.chunks);
        if (chunks_) {
            response.body.clear();
            const auto more = next_part(response.body);
            if (!more) {
                sessions_->tell("An answer failed: " + more.error().text);
                response = problem(500, more.error().text);
            }
            if (!more || !*more) chunks_ = nullptr;
        }
        http::response<http::empty_body> head{static_cast<http::status>(response.status),
                                              is_chunkable_ ? 11U : 10U};
        if (!response.content_type.empty()) head.set(http::field::content_type, response.content_type);
        head.set(http::field::cache_control, "no-store");
        head.set("X-Content-Type-Options", "nosniff");
        for (const auto& [name, value] : response.fields)
            head.set(name, value);
        if (!response.allow.empty()) head.set(http::field::allow, response.allow);
        if (!chunks_ && !news_) {
            // RFC 9110 section 8.6: without the length that the whole would have, a 304 tells none.
            if (response.status != 304) head.content_length(response.body.size());
        } else if (is_chunkable_) {
            head.chunked(true);
        } else {
            close_after_ = true;
        }
        head.keep_alive(!close_after_);

        std::ostringstream text;
        text << head.base();
        part_ = text.str();
        rest_ = Rest::nothing;
        if (news_ && !is_head_) {
            rest_ = Rest::news;
            watch_for_leaving();
        } else if (chunks_ && !is_head_) {
            rest_ = Rest::held_part;
            held_part_ = std::move(response.body);
        } else {
            chunks_ = nullptr;
            news_ = nullptr;
            if (!is_head_) part_ += response.body;
        }
        write(asio::buffer(part_));
    }

    Result<bool> next_part(std::string& part) const {
        try {
            while (true) {
                auto more = chunks_(part);
                // An empty chunk would end the answer.
                if (!more || !*more || !part.empty()) return more;
            }
        } catch (const std::exception& failure) {
            return fail(failure.what());
        }
    }

    void on_written(error_code error, std::size_t) {
        if (error) return leave();
        switch (rest_) {
            case Rest::held_part:
                part_ = std::exchange(held_part_, {});
                rest_ = Rest::parts;
                return write_chunk();
            case Rest::parts:
                return send_next_part();
            case Rest::end:
                return send_end();
            case Rest::news:
                return send_news();
            case Rest::nothing:
                return close_after_ ? close() : receive();
        }
    }

    void send_next_part() {
        part_.clear();
        const auto more = next_part(part_);
        if (!more) {
            // Without its last chunk the client knows that the answer is not whole.
            sessions_->tell("An answer was cut: " + more.error().text);
            return;
        }
        if (!*more) rest_ = Rest::end;
        if (part_.empty()) return send_end();
        write_chunk();
    }

    void send_end() {
        rest_ = Rest::nothing;
        chunks_ = nullptr;
        if (!is_chunkable_) return close();
        write(http::make_chunk_last());
    }

    // Sends what is new, or waits until somebody says that there may be something.
    void send_news() {
        if (!news_) return;
        part_.clear();
        try {
            if (const auto told = news_(part_); !told) {
                sessions_->tell("A stream was cut: " + told.error().text);
                return leave();
            }
        } catch (const std::exception& failure) {
            sessions_->tell(std::string("A stream was cut: ") + failure.what());
            return leave();
        }
        if (!part_.empty()) return write_chunk();
        sessions_->waiting.insert(this);
        if (!news_timer_) news_timer_.emplace(stream_.get_executor());
        news_timer_->expires_after(sessions_->limits.look_for_news);
        news_timer_->async_wait([self = shared_from_this()](error_code stopped) {
            if (!stopped) self->look_for_news();
        });
    }

    // One who only listens sends nothing more, so whatever can be read is the end of the connection, or a
    // request sent ahead, which is never answered.
    void watch_for_leaving() {
        stream_.socket().async_wait(Protocol::socket::wait_read, [self =
                                                                      shared_from_this()](error_code error) {
            char byte = 0;
            error_code ended;
            if (!error) {
                self->stream_.socket().receive(asio::buffer(&byte, 1), Protocol::socket::message_peek, ended);
            }
            if (error || ended) self->leave();
        });
    }

    void leave() {
        news_ = nullptr;
        sessions_->waiting.erase(this);
        if (news_timer_) news_timer_->cancel();
        error_code ignored;
        stream_.socket().close(ignored);
    }

    void write_chunk() {
        if (is_chunkable_) return write(http::make_chunk(asio::buffer(part_)));
        write(asio::buffer(part_));
    }

    template <typename Buffers>
    void write(const Buffers& buffers) {
        stream_.expires_after(sessions_->limits.send);
        asio::async_write(stream_, buffers,
                          beast::bind_front_handler(&Session::on_written, shared_from_this()));
    }

    void close() {
        error_code ignored;
        stream_.socket().shutdown(Protocol::socket::shutdown_send, ignored);
        if (!refused_) return;
        // Closing with bytes unread would reset the connection and take the answer from the client.
        stream_.expires_after(farewell);
        discard();
    }

    void discard() {
        buffer_.clear();
        stream_.async_read_some(buffer_.prepare(4096),
                                [self = shared_from_this()](error_code error, std::size_t) {
                                    if (!error) self->discard();
                                });
    }

    beast::basic_stream<Protocol> stream_;
    std::shared_ptr<Sessions> sessions_;
    bool is_local_;
    beast::flat_buffer buffer_;
    std::optional<http::request_parser<http::string_body>> parser_;
    ChunkProducer chunks_;
    NewsProducer news_;
    std::optional<asio::steady_timer> news_timer_;
    std::string part_;
    std::string held_part_;
    Rest rest_ = Rest::nothing;
    bool is_head_ = false;
    bool is_chunkable_ = true;
    bool close_after_ = false;
    bool refused_ = false;
};

void Sessions::look_for_news() {
    // Each takes itself out of the set, and may put itself in again.
    const std::vector<Session*> present(waiting.begin(), waiting.end());
    for (Session* session : present)
        session->look_for_news();
}

void welcome(Protocol::socket connection, const std::shared_ptr<Sessions>& sessions, bool is_local) {
    const std::size_t others = sessions->count;
    // Even those who only hear that it is full are so many at most.
    if (others >= 2 * sessions->limits.connections) return;
    const auto session = std::make_shared<Session>(std::move(connection), sessions, is_local);
    if (others < sessions->limits.connections) {
        session->receive();
    } else {
        session->turn_away();
    }
}

}  // namespace tickledger

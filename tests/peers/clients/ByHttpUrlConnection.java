import java.io.FileReader;
import java.io.InputStream;
import java.io.Reader;
import java.net.Authenticator;
import java.net.HttpURLConnection;
import java.net.PasswordAuthentication;
import java.net.URI;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.Properties;

/**
 * Fetches a URL to a file. The user and passphrase come from a properties file, the certificates
 * that are trusted from javax.net.ssl.trustStore; the name of the host is checked, as by default.
 */
public final class ByHttpUrlConnection {
    public static void main(String[] arguments) throws Exception {
        Properties account = new Properties();
        try (Reader reader = new FileReader(arguments[2])) {
            account.load(reader);
        }
        if (account.containsKey("user")) {
            Authenticator.setDefault(authenticator(account));
        }
        HttpURLConnection connection =
                (HttpURLConnection) URI.create(arguments[0]).toURL().openConnection();
        connection.setReadTimeout(60_000);
        try (InputStream body = connection.getInputStream()) {
            Files.copy(body, Path.of(arguments[1]));
        }
    }

    private static Authenticator authenticator(Properties account) {
        return new Authenticator() {
            @Override
            protected PasswordAuthentication getPasswordAuthentication() {
                char[] passphrase = account.getProperty("passphrase").toCharArray();
                return new PasswordAuthentication(account.getProperty("user"), passphrase);
            }
        };
    }
}
